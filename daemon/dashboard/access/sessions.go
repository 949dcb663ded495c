package access

import (
	"context"
	"net/http"
	"time"

	"github.com/alexedwards/scs/v2"

	"keyturn/daemon/records"
)

const (
	// idleMost is how long a session lives without being used.
	idleMost = time.Hour
	// writerMost is how long one lives that may change something, viewerMost one that may
	// only read: a screen on the wall. NIST SP 800-63B, 4.2.3 and 4.1.3.
	writerMost = 12 * time.Hour
	viewerMost = 30 * 24 * time.Hour
)

// keyOf is the only thing that a session holds: what stands for its user.
const keyOf = "key"

// newSessions are sessions kept in the records. The cookie is sent back over TLS only
// where the pages are reached by it, never to scripts, and from a foreign page only when
// a link is followed.
func newSessions(r *records.Store, secure bool) *scs.SessionManager {
	name := "keyturn"
	if secure {
		name = "__Host-keyturn" // no other host of the domain can set it (RFC 6265bis)
	}
	// scs.New would also start a store in memory, which cleans itself for ever.
	return &scs.SessionManager{
		Store: sessionStore{r}, HashTokenInStore: true, Codec: scs.GobCodec{}, IdleTimeout: idleMost, Lifetime: writerMost,
		Cookie: scs.SessionCookie{Name: name, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: secure, Persist: true},
	}
}

// begin signs a user in: under a new token, so that one which somebody else knew is
// worth nothing.
func (a *Access) begin(ctx context.Context, w http.ResponseWriter, key string, role Role) error {
	if err := a.sessions.RenewToken(ctx); err != nil {
		return err
	}
	a.sessions.Put(ctx, keyOf, key)
	lives := writerMost
	if role == Viewer {
		lives = viewerMost
	}
	a.sessions.SetDeadline(ctx, time.Now().Add(lives).UTC())
	token, _, err := a.sessions.Commit(ctx)
	if err != nil {
		return err
	}
	a.sessions.WriteSessionCookie(ctx, w, token, a.sessions.Deadline(ctx))
	return nil
}

// SignOut ends the session of a request that came through Load.
func (a *Access) SignOut(w http.ResponseWriter, r *http.Request) error {
	if err := a.sessions.Destroy(r.Context()); err != nil {
		return err
	}
	a.sessions.WriteSessionCookie(r.Context(), w, "", time.Time{})
	return nil
}

// token is what a browser says is its session.
func (a *Access) token(r *http.Request) string {
	c, err := r.Cookie(a.sessions.Cookie.Name)
	if err != nil {
		return ""
	}
	return c.Value
}

// sessionStore is the records as the library wants them.
type sessionStore struct{ records *records.Store }

func (s sessionStore) FindCtx(ctx context.Context, token string) ([]byte, bool, error) {
	return s.records.Session(ctx, token)
}

func (s sessionStore) CommitCtx(ctx context.Context, token string, data []byte, until time.Time) error {
	return s.records.KeepSession(ctx, token, data, until)
}

func (s sessionStore) DeleteCtx(ctx context.Context, token string) error {
	return s.records.EndSession(ctx, token)
}

// The library never calls these where there are those above.

func (s sessionStore) Find(token string) ([]byte, bool, error) {
	return s.FindCtx(context.Background(), token)
}

func (s sessionStore) Commit(token string, data []byte, until time.Time) error {
	return s.CommitCtx(context.Background(), token, data, until)
}

func (s sessionStore) Delete(token string) error { return s.DeleteCtx(context.Background(), token) }
