package dashboard

import (
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"keyturn/daemon/dashboard/access"
	"keyturn/protocol"
)

// patterns are those that are served.
func patterns(m *routes) []string { return slices.Sorted(maps.Keys(m.least)) }

// address is one that a pattern serves.
func address(pattern string) (method, path string) {
	method, path, _ = strings.Cut(pattern, " ")
	path = strings.ReplaceAll(path, "{$}", "")
	return method, regexp.MustCompile(`\{[a-z]+\}`).ReplaceAllString(path, "x")
}

// stillLife is a practice in which nothing happens.
type stillLife struct{}

func (stillLife) Key() protocol.Position                          { return protocol.PositionOff }
func (stillLife) Turn(protocol.Position)                          {}
func (stillLife) Operable() []Operable                            { return nil }
func (stillLife) Operate(string)                                  {}
func (stillLife) TestPoints() []TestPoint                         { return []TestPoint{{"plus", "supply, plus"}} }
func (stillLife) Read(red, black string) (figure, unit, w string) { return "12.60", "V", "" }

// Each route refuses every role below the one that it is registered with, and no other.
func TestEveryRouteHoldsItsLeastRole(t *testing.T) {
	a, s := newAccess(t, access.Options{}, true)
	done := make(chan struct{})
	close(done) // streams end at once
	d, err := build(Options{State: newState(t), Records: s, Jobs: s, Access: a, Done: done, Practice: stillLife{}})
	if err != nil {
		t.Fatal(err)
	}
	h := d.guard(d.mux)
	people := map[Role]*browser{0: newBrowser(h)}
	for _, role := range access.Roles() {
		people[role] = signedIn(t, h, role)
	}
	for _, pattern := range patterns(d.mux) {
		least := d.mux.least[pattern]
		method, path := address(pattern)
		for role := range Instructor + 1 {
			who := people[role]
			if pattern == "POST /sign-out" && role > 0 {
				who = signedIn(t, h, role) // and out, this once
			}
			w := who.ask(method, path, url.Values{})
			led := w.Code == http.StatusSeeOther && strings.HasPrefix(w.Header().Get("Location"), "/sign-in?next=")
			led = led || w.Code == http.StatusSeeOther && role == Apprentice && w.Header().Get("Location") == "/exercises"
			refused := led || w.Code == http.StatusUnauthorized && pattern != "POST /sign-in" || w.Code == http.StatusForbidden
			if refused != (role < least) || w.Code >= 500 {
				t.Errorf("%s for %v: %d %s, want it from %v on", pattern, role, w.Code, w.Header().Get("Location"), least)
			}
		}
	}
	if users, err := a.Users(t.Context()); err != nil || len(users) != 4 {
		t.Errorf("%d users after all that, %v", len(users), err)
	}
}

// signedIn is a browser with a session of its own.
func signedIn(t *testing.T, h http.Handler, role Role) *browser {
	t.Helper()
	return newBrowser(h).as(t, map[Role]string{Apprentice: "cara", Viewer: "<script>", Operator: "ben", Instructor: "ada"}[role])
}

// The list itself may be wrong. These routes are for whom they are said to be here, not
// there; nobody else is let in without a name, and who only reads changes nothing.
func TestRoutesAreForWhomTheyShould(t *testing.T) {
	a, s := newAccess(t, access.Options{}, false)
	d, err := build(Options{State: newState(t), Records: s, Jobs: s, Access: a, Practice: stillLife{}})
	if err != nil {
		t.Fatal(err)
	}
	for pattern, want := range map[string]Role{ // each by itself
		"GET /cycle/{bench}/{id}": Viewer, "GET /events": Viewer, "GET /history": Viewer, "GET /job/{job}/photo/{item}/{size}": Viewer,
		"POST /answers/{sheet}": Apprentice, "POST /account": Apprentice, "GET /": Viewer,
		"POST /bench/{bench}/looked": Operator, "POST /job/{job}/delete": Operator, "POST /job/{job}/photos": Operator,
		"GET /class/{sitting}": Instructor, "GET /class/marks.csv": Instructor, "GET /progress": Instructor, "POST /answers/{sheet}/comment": Instructor,
		"GET /users": Instructor, "POST /users": Instructor, "POST /user/role": Instructor, "POST /user/password": Instructor, "POST /user/remove": Instructor,
	} {
		if got := d.mux.least[pattern]; got != want {
			t.Errorf("%q is for %v, want %v", pattern, got, want)
		}
	}
	var open, changed []string
	for _, pattern := range patterns(d.mux) {
		switch least := d.mux.least[pattern]; {
		case least == everybody:
			open = append(open, pattern)
		case least == Viewer && !strings.HasPrefix(pattern, "GET "):
			changed = append(changed, pattern)
		}
	}
	if want := []string{"GET /assets/{name}", "GET /sign-in", "POST /sign-in"}; !slices.Equal(open, want) {
		t.Errorf("for everybody are %q, want %q", open, want)
	}
	if want := []string{"POST /set-up"}; !slices.Equal(changed, want) { // which is refused once there is a user
		t.Errorf("a viewer changes something by %q, want %q", changed, want)
	}
}

// What no route serves tells an apprentice no more than what is not for him.
func TestWhatIsNoRouteIsNotForApprentices(t *testing.T) {
	a, s := newAccess(t, access.Options{}, true)
	h := newPages(t, Options{State: newState(t), Records: s, Access: a})
	for role, want := range map[Role]int{Apprentice: http.StatusForbidden, Viewer: http.StatusMethodNotAllowed} { // each by itself
		if w := signedIn(t, h, role).ask(http.MethodPost, "/history", url.Values{}); w.Code != want {
			t.Errorf("%v: %d, want %d", role, w.Code, want)
		}
	}
}

func TestNoRouteWithoutALeastRole(t *testing.T) {
	for _, least := range []Role{0, everybody - 1, Instructor + 1} {
		m := &routes{least: map[string]Role{}}
		func() {
			defer func() {
				if why, _ := recover().(string); !strings.Contains(why, `"GET /x" is for no role`) {
					t.Errorf("role %d: %q", least, why)
				}
			}()
			m.handle(least, "GET /x", func(http.ResponseWriter, *http.Request) {})
		}()
		if len(m.least) != 0 {
			t.Errorf("role %d: it is served", least)
		}
	}
}
