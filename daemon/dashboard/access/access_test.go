package access

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"keyturn/daemon/records"
)

const (
	secret = "five lamps glow dim"
	other  = "nine belts hum along"
)

func newAccess(t *testing.T, o Options) *Access {
	t.Helper()
	s, err := records.Open(t.Context(), records.Options{URL: filepath.Join(t.TempDir(), "records.db")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	o.Records = s
	return New(o)
}

// withUsers is an access with a user of each role, named after it.
func withUsers(t *testing.T) *Access {
	t.Helper()
	a := newAccess(t, Options{})
	for _, role := range []Role{Instructor, Operator, Viewer} {
		if err := a.Add(t.Context(), "the-"+role.String(), secret, role); err != nil {
			t.Fatal(err)
		}
	}
	return a
}

// refusal is the status of a no; 0 where there is none.
func refusal(t *testing.T, err error) int {
	t.Helper()
	var no Refusal
	if err != nil && !errors.As(err, &no) {
		t.Fatalf("not a refusal: %v", err)
	}
	return no.Status
}

var desk = netip.MustParseAddr("192.0.2.7")

// request is one with a session's token, come through Load.
func request(t *testing.T, a *Access, token string) *http.Request {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	if token != "" {
		r.AddCookie(&http.Cookie{Name: a.sessions.Cookie.Name, Value: token})
	}
	r, err := a.Load(r)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// signIn signs in and returns the cookie, on a browser that had a token before.
func signIn(t *testing.T, a *Access, name, password, before string) *http.Cookie {
	t.Helper()
	w := httptest.NewRecorder()
	if err := a.SignIn(w, request(t, a, before), desk, name, password); err != nil {
		t.Fatalf("%s could not sign in: %v", name, err)
	}
	c := w.Result().Cookies()
	if len(c) != 1 {
		t.Fatalf("%d cookies", len(c))
	}
	return c[0]
}

// is holds who a token stands for; no name means nobody.
func is(t *testing.T, when string, a *Access, token, want string) {
	t.Helper()
	p, err := a.Who(request(t, a, token).Context())
	if p.Name != want || (want == "") != errors.Is(err, ErrSignIn) {
		t.Errorf("%s: %+v, %v, want %q", when, p, err, want)
	}
}

func TestSessionsEndByThemselves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := withUsers(t)
		token := signIn(t, a, "the-operator", secret, "").Value
		for range 3 {
			<-time.After(idleMost - time.Minute) // simulated
			is(t, "used within the hour", a, token, "the-operator")
		}
		<-time.After(idleMost + time.Second)
		is(t, "not used for an hour", a, token, "")

		token = signIn(t, a, "the-operator", secret, "").Value
		for end := time.Now().Add(writerMost); time.Until(end) > time.Minute; {
			is(t, "used all day", a, token, "the-operator")
			<-time.After(30*time.Minute - time.Second)
		}
		<-time.After(2 * time.Minute)
		is(t, "after the day", a, token, "")
	})
}

// A screen on the wall shows a page that is kept up to date and nobody touches; a tablet
// that was left lying shows one too.
func TestOnlyAViewersOpenPageCountsAsUse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const step = 25 * time.Minute
		a := withUsers(t)
		for role, want := range map[Role]time.Duration{Viewer: viewerMost, Operator: idleMost} { // each by itself
			p := Person{"the-" + role.String(), role}
			r := request(t, a, signIn(t, a, p.Name, secret, "").Value)
			begin := time.Now()
			for a.Still(r, p) && time.Since(begin) < want+time.Hour {
				<-time.After(step)
			}
			if lived := time.Since(begin); lived < want-step || lived > want+step {
				t.Errorf("%v: an open page lived %v, want %v", role, lived, want)
			}
		}
	})
}

func TestSessionsEndWithWhatTheyRestOn(t *testing.T) {
	for what, end := range map[string]func(*Access, context.Context) error{ // each by itself
		"role":     func(a *Access, ctx context.Context) error { return a.SetRole(ctx, "the-operator", Viewer) },
		"password": func(a *Access, ctx context.Context) error { return a.SetPassword(ctx, "the-operator", other) },
		"removed":  func(a *Access, ctx context.Context) error { return a.Remove(ctx, "The-Operator") },
	} {
		a := withUsers(t)
		token := signIn(t, a, "the-operator", secret, "").Value
		r, p := request(t, a, token), Person{"the-operator", Operator}
		is(t, what+", before", a, token, "the-operator")
		if !a.Still(r, p) {
			t.Errorf("%s: the stream has ended before", what)
		}
		if err := end(a, t.Context()); err != nil {
			t.Fatal(err)
		}
		is(t, what+", after", a, token, "")
		if a.Still(r, p) {
			t.Errorf("%s: the stream goes on", what)
		}
	}
}

func TestTokens(t *testing.T) {
	a := withUsers(t)
	is(t, "none", a, "", "")
	is(t, "forged", a, "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", "")
	is(t, "a statement", a, "' OR 1=1 --", "")

	planted := signIn(t, a, "the-viewer", secret, "").Value // by who wants to be there later
	first := signIn(t, a, "the-operator", secret, planted)
	if first.Value == planted {
		t.Error("the token that somebody else knew is used on")
	}
	is(t, "planted", a, planted, "")
	is(t, "after signing in", a, first.Value, "the-operator")
	if !first.HttpOnly || first.SameSite != http.SameSiteLaxMode || first.Path != "/" || first.Domain != "" || first.Secure {
		t.Errorf("the cookie is %v", first)
	}

	under := request(t, a, first.Value) // a request that is under way
	if err := a.SignOut(httptest.NewRecorder(), request(t, a, first.Value)); err != nil {
		t.Fatal(err)
	}
	is(t, "stolen, then signed out", a, first.Value, "")
	if _, err := a.Who(under.Context()); err != nil {
		t.Fatal(err)
	}
	is(t, "after a request that was under way", a, first.Value, "")
}

func TestTheCookieOverTLS(t *testing.T) {
	a := newAccess(t, Options{Secure: true})
	if err := a.Add(t.Context(), "ada", secret, Instructor); err != nil {
		t.Fatal(err)
	}
	if c := signIn(t, a, "ada", secret, ""); !c.Secure || c.Name != "__Host-keyturn" {
		t.Errorf("the cookie is %v", c)
	}
}

func TestOwnPassword(t *testing.T) {
	a := withUsers(t)
	here, there := signIn(t, a, "the-viewer", secret, "").Value, signIn(t, a, "the-viewer", secret, "").Value
	p := Person{"the-viewer", Viewer}
	change := func(present, wanted string) (*http.Cookie, int) {
		t.Helper()
		w := httptest.NewRecorder()
		status := refusal(t, a.ChangePassword(w, request(t, a, here), p, present, wanted))
		if c := w.Result().Cookies(); len(c) > 0 {
			return c[0], status
		}
		return nil, status
	}
	if _, status := change(other, other); status != http.StatusUnprocessableEntity {
		t.Errorf("a wrong present password: %d", status)
	}
	if _, status := change(secret, "short"); status != http.StatusUnprocessableEntity {
		t.Errorf("a short password: %d", status)
	}
	is(t, "nothing was changed", a, there, "the-viewer")
	c, status := change(secret, other)
	if status != 0 || c == nil {
		t.Fatalf("refused: %d", status)
	}
	is(t, "here, under a new token", a, c.Value, "the-viewer")
	is(t, "the old token", a, here, "")
	is(t, "elsewhere", a, there, "")
	signIn(t, a, "the-viewer", other, "")
}

func TestWhoMayWithoutUsers(t *testing.T) {
	open, closed := newAccess(t, Options{Open: true}), newAccess(t, Options{})
	if p, err := open.Who(request(t, open, "").Context()); err != nil || p != (Person{Role: Instructor}) {
		t.Errorf("open: %+v, %v", p, err)
	}
	if _, err := closed.Who(request(t, closed, "").Context()); !errors.Is(err, ErrSetUp) {
		t.Errorf("closed: %v", err)
	}
	if got := refusal(t, open.Add(t.Context(), "ada", secret, Viewer)); got != http.StatusUnprocessableEntity {
		t.Errorf("a first user who is no instructor: %d", got)
	}
	if err := open.Add(t.Context(), "ada", secret, Instructor); err != nil {
		t.Fatal(err)
	}
	is(t, "once there is a user", open, "", "")
	if open.Still(request(t, open, ""), Person{Role: Instructor}) {
		t.Error("a stream of who was not asked goes on")
	}
	for what, err := range map[string]error{ // each by itself
		"removed": open.Remove(t.Context(), "ada"), "made a viewer": open.SetRole(t.Context(), "ada", Viewer), "twice": open.Add(t.Context(), "ADA", secret, Viewer),
	} {
		if refusal(t, err) != http.StatusConflict {
			t.Errorf("%s: %v", what, err)
		}
	}
	if got := refusal(t, open.SetRole(t.Context(), "ada", 0)); got != http.StatusUnprocessableEntity {
		t.Errorf("no role: %d", got)
	}
}

func TestSetUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newAccess(t, Options{})
		try := func(code, name, password string) int {
			t.Helper()
			return refusal(t, a.SetUp(httptest.NewRecorder(), request(t, a, ""), code, name, password))
		}
		if got := try("", "eve", secret); got != http.StatusForbidden {
			t.Errorf("no code was shown, and none given: %d", got)
		}
		code := a.NewCode()
		for range codeTries - 1 {
			if got := try("AAAAA-AAAAA", "eve", secret); got != http.StatusForbidden {
				t.Errorf("guessed: %d", got)
			}
		}
		if got := try(code, "ada", "short"); got != http.StatusUnprocessableEntity {
			t.Errorf("a short password: %d", got)
		}
		if got := try("", "eve", secret); got != http.StatusForbidden {
			t.Errorf("guessed once more: %d", got)
		}
		if got := try(code, "ada", secret); got != http.StatusForbidden {
			t.Errorf("right after too many guesses: %d", got)
		}
		code = a.NewCode()
		<-time.After(CodeFor) // simulated
		if got := try(code, "ada", secret); got != http.StatusForbidden {
			t.Errorf("too late: %d", got)
		}
		code = a.NewCode()
		w := httptest.NewRecorder()
		if err := a.SetUp(w, request(t, a, ""), " "+code[:3]+" "+code[3:]+" ", "ada", secret); err != nil {
			t.Fatal(err)
		}
		if c := w.Result().Cookies(); len(c) != 1 {
			t.Errorf("the first user is not signed in: %v", c)
		} else {
			is(t, "the first user", a, c[0].Value, "ada")
		}
		if got := try(code, "eve", secret); got != http.StatusConflict {
			t.Errorf("the code a second time: %d", got)
		}
		a.NewCode()
		if all, err := a.Users(t.Context()); err != nil || len(all) != 1 || all[0].Role != "instructor" {
			t.Errorf("%+v, %v", all, err)
		}
	})
}
