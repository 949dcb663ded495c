package access

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/netip"
	"sync/atomic"
	"time"

	"github.com/alexedwards/scs/v2"

	"keyturn/daemon/records"
)

// Options say what access rests on.
type Options struct {
	// Records keep users and sessions.
	Records *records.Store
	// Open lets everybody do everything while there is no user: where only who sits at the
	// machine can ask.
	Open bool
	// Secure says that the pages are reached over TLS only.
	Secure bool
	// Logger is told of sign-ins that were refused; nil discards.
	Logger *slog.Logger
}

// Access says who may do what. It is safe for many goroutines.
type Access struct {
	o         Options
	sessions  *scs.SessionManager
	hasher    hasher
	addresses *limiter
	names     *limiter
	code      code
	anyUser   atomic.Bool // once there is one there always is: the last instructor stays
}

// New returns the access to a dashboard.
func New(o Options) *Access {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	return &Access{
		o: o, sessions: newSessions(o.Records, o.Secure), hasher: newHasher(),
		addresses: newLimiter(addressEvery, addressAtOnce), names: newLimiter(nameEvery, nameAtOnce),
	}
}

// Load reads the session of a request, for all that follows.
func (a *Access) Load(r *http.Request) (*http.Request, error) {
	ctx, err := a.sessions.Load(r.Context(), a.token(r))
	if err != nil {
		return nil, err
	}
	return r.WithContext(ctx), nil
}

// Who tells who asks, of a request that came through Load, and counts it as a use of the
// session. It is an ErrSignIn where he must sign in, an ErrSetUp where nobody can yet.
func (a *Access) Who(ctx context.Context) (Person, error) {
	p, err := a.who(ctx)
	if err == nil && p.Name != "" {
		if _, _, err := a.sessions.Commit(ctx); err != nil { // he is known all the same
			a.o.Logger.Warn("the use of a session was not counted", "err", err)
		}
	}
	return p, err
}

func (a *Access) who(ctx context.Context) (Person, error) {
	if key := a.sessions.GetString(ctx, keyOf); key != "" {
		u, err := a.o.Records.UserOf(ctx, key)
		if role := RoleOf(u.Role); err == nil && role != 0 {
			return Person{u.Name, role}, nil
		}
		if err != nil && !errors.Is(err, records.ErrNoUser) {
			return Person{}, err
		}
	}
	any, err := a.AnyUser(ctx)
	switch {
	case err != nil:
		return Person{}, err
	case any:
		return Person{}, ErrSignIn
	case a.o.Open:
		return Person{Role: Instructor}, nil
	}
	return Person{}, ErrSetUp
}

// AnyUser tells whether there is a user.
func (a *Access) AnyUser(ctx context.Context) (bool, error) {
	if a.anyUser.Load() {
		return true, nil
	}
	any, err := a.o.Records.AnyUser(ctx)
	if any {
		a.anyUser.Store(true)
	}
	return any, err
}

// stillWithin is how long it may take to look a session up again.
const stillWithin = 5 * time.Second

// Still tells whether who asked a while ago is the same and may the same still. Only a
// viewer's session counts that as a use: a screen on the wall stays signed in, a tablet
// that was left lying does not.
func (a *Access) Still(r *http.Request, was Person) bool {
	ctx, cancel := context.WithTimeout(context.Background(), stillWithin)
	defer cancel()
	ctx, err := a.sessions.Load(ctx, a.token(r))
	if err != nil {
		return false
	}
	ask := a.who
	if was.Role == Viewer {
		ask = a.Who
	}
	p, err := ask(ctx)
	return err == nil && p == was
}

// SignIn signs a user in on a request that came through Load. An unknown name and a wrong
// password get one answer, after the same work.
func (a *Access) SignIn(w http.ResponseWriter, r *http.Request, from netip.Addr, typedName, typedPassword string) error {
	ctx := r.Context()
	name, nameErr := NameOf(typedName)
	if wait := a.addresses.take(network(from)); wait > 0 {
		return slower(wait)
	}
	if wait := a.names.take(name); wait > 0 {
		return slower(wait)
	}
	u, err := a.o.Records.UserNamed(ctx, name)
	if errors.Is(err, records.ErrNoUser) {
		u.Hash, err = nobodysHash(), nil
	}
	if err != nil {
		return err
	}
	password, passwordErr := passwordOf(typedPassword)
	ok, err := a.hasher.matches(ctx, password, u.Hash)
	if err != nil {
		return err
	}
	if !ok || nameErr != nil || passwordErr != nil || RoleOf(u.Role) == 0 {
		a.o.Logger.Warn("a sign-in was refused", "address", from)
		return Refusal{Status: http.StatusUnauthorized, Say: "Name or password is wrong."}
	}
	if err := a.o.Records.NoteSignIn(ctx, name); err != nil {
		return err
	}
	a.names.reset(name)
	return a.begin(ctx, w, u.Key, RoleOf(u.Role))
}

// NewCode makes the code for the first user, which is to be shown on the terminal where
// the server was started and nowhere else.
func (a *Access) NewCode() string { return a.code.renew() }

// SetUp makes the first user, an instructor, and signs him in.
func (a *Access) SetUp(w http.ResponseWriter, r *http.Request, code, typedName, typedPassword string) error {
	ctx := r.Context()
	if any, err := a.AnyUser(ctx); err != nil || any {
		return errors.Join(err, said(records.ErrNotFirst))
	}
	return a.code.use(code, func() error {
		u, err := a.newUser(ctx, typedName, typedPassword, Instructor)
		if err != nil {
			return err
		}
		if err := a.o.Records.AddFirstUser(ctx, u); err != nil {
			return said(err)
		}
		if err := a.o.Records.NoteSignIn(ctx, u.Name); err != nil {
			return err
		}
		return a.begin(ctx, w, u.Key, Instructor)
	})
}

// ChangePassword changes the password of who is signed in on a request that came through
// Load. All his other sessions end.
func (a *Access) ChangePassword(w http.ResponseWriter, r *http.Request, p Person, typedOld, typedNew string) error {
	ctx := r.Context()
	if wait := a.names.take(p.Name); wait > 0 {
		return slower(wait)
	}
	u, err := a.o.Records.UserNamed(ctx, p.Name)
	if err != nil {
		return said(err)
	}
	old, err := passwordOf(typedOld)
	if err != nil {
		return err
	}
	ok, err := a.hasher.matches(ctx, old, u.Hash)
	if err != nil {
		return err
	}
	if !ok {
		return invalid("Your present password is another one.")
	}
	key, err := a.setPassword(ctx, p.Name, typedNew)
	if err != nil {
		return err
	}
	return a.begin(ctx, w, key, p.Role)
}
