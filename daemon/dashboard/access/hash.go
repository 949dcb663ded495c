package access

import (
	"context"
	"encoding/base64"
	"fmt"
	"net/http"
	"time"

	"github.com/alexedwards/argon2id"
	"golang.org/x/crypto/argon2"
)

// Argon2id makes a guess cost memory, which machines for guessing have little of, and
// takes passwords of any length; bcrypt looks at 72 bytes only. 19 MiB and 2 passes in 1
// lane are what the OWASP Password Storage Cheat Sheet asks for at least: a Raspberry Pi
// has that to give.
const (
	hashKiB    = 19 << 10
	hashPasses = 2
	hashLanes  = 1
	saltBytes  = 16
	hashBytes  = 32
	// hashesMost is how many run at once, so that signing in takes 38 MiB at most.
	hashesMost = 2
	// hashWithin is how long one waits for its turn.
	hashWithin = 5 * time.Second
)

// hasher hashes passwords, a few at a time.
type hasher struct{ turns chan struct{} }

func newHasher() hasher { return hasher{make(chan struct{}, hashesMost)} }

// turn waits for a turn; done gives it back.
func (h hasher) turn(ctx context.Context) (done func(), err error) {
	ctx, cancel := context.WithTimeout(ctx, hashWithin)
	defer cancel()
	select {
	case h.turns <- struct{}{}:
		return func() { <-h.turns }, nil
	case <-ctx.Done():
		return nil, Refusal{http.StatusServiceUnavailable, "Too many people sign in at once. Try again in a moment.", hashWithin}
	}
}

func (h hasher) hash(ctx context.Context, password string) (string, error) {
	done, err := h.turn(ctx)
	if err != nil {
		return "", err
	}
	defer done()
	hash, err := argon2id.CreateHash(password, &argon2id.Params{
		Memory: hashKiB, Iterations: hashPasses, Parallelism: hashLanes, SaltLength: saltBytes, KeyLength: hashBytes,
	})
	if err != nil {
		return "", fmt.Errorf("hash a password: %w", err)
	}
	return hash, nil
}

func (h hasher) matches(ctx context.Context, password, hash string) (bool, error) {
	done, err := h.turn(ctx)
	if err != nil {
		return false, err
	}
	defer done()
	ok, err := argon2id.ComparePasswordAndHash(password, hash)
	if err != nil {
		return false, fmt.Errorf("hold a password against its hash: %w", err)
	}
	return ok, nil
}

// nobodysHash is one that no password is known for, and that is as much work as any.
func nobodysHash() string {
	zero := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, hashKiB, hashPasses, hashLanes, zero(make([]byte, saltBytes)), zero(make([]byte, hashBytes)))
}
