package access

import (
	"fmt"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// How often may be tried: so many at once, then one each so often. A class of
// apprentices behind one address gets in at once; a name is tried 4,320 times a day at
// most, from however many addresses. Somebody on the shop's network can so keep another
// from signing in for as long as he goes on: the log tells his address.
const (
	addressAtOnce = 20
	addressEvery  = 6 * time.Second
	nameAtOnce    = 10
	nameEvery     = 20 * time.Second
	// keysMost is how many addresses or names are remembered: a megabyte or so. Where that
	// many are tried at once, others wait.
	keysMost = 4096
)

// limiter slows down who tries again and again.
type limiter struct {
	every  time.Duration
	atOnce int

	mu sync.Mutex
	by map[string]*rate.Limiter
}

func newLimiter(every time.Duration, atOnce int) *limiter {
	return &limiter{every: every, atOnce: atOnce, by: map[string]*rate.Limiter{}}
}

// take counts a try, or tells how long to wait.
func (l *limiter) take(key string) (wait time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := time.Now()
	one := l.by[key]
	if one == nil {
		if len(l.by) >= keysMost {
			l.forget(now)
		}
		if len(l.by) >= keysMost {
			return l.every
		}
		one = rate.NewLimiter(rate.Every(l.every), l.atOnce)
		l.by[key] = one
	}
	r := one.ReserveN(now, 1)
	if wait = r.DelayFrom(now); wait > 0 {
		r.CancelAt(now)
	}
	return wait
}

// forget drops those that may try as often as one that was never seen.
func (l *limiter) forget(now time.Time) {
	for key, one := range l.by { // each by itself
		if one.TokensAt(now) >= float64(l.atOnce) {
			delete(l.by, key)
		}
	}
}

// reset forgets a key.
func (l *limiter) reset(key string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.by, key)
}

// network is what counts as one address: who has one of IPv6 has a whole network of them.
func network(from netip.Addr) string {
	if from = from.Unmap().WithZone(""); from.Is6() {
		p, _ := from.Prefix(64) // no address of IPv6 is shorter
		return p.String()
	}
	return from.String()
}

func slower(wait time.Duration) error {
	wait = (wait + time.Second - 1).Truncate(time.Second)
	return Refusal{http.StatusTooManyRequests, fmt.Sprintf("That was tried too often. Try again in %d s.", int(wait.Seconds())), wait}
}
