package dashboard

import (
	"maps"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"keyturn/daemon/dashboard/access"
	"keyturn/daemon/records"
)

const (
	secret = "five lamps glow dim"
	other  = "nine belts hum along"
)

// newAccess is an access to records in a file, with an instructor ada, an operator ben,
// a viewer <script> and an apprentice cara if they are wanted.
func newAccess(t *testing.T, o access.Options, users bool) (*access.Access, *records.Store) {
	t.Helper()
	s, err := records.Open(t.Context(), records.Options{URL: filepath.Join(t.TempDir(), "records.db")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() }) // a test may have closed it
	o.Records = s
	a := access.New(o)
	for _, u := range []struct {
		name string
		role Role
	}{{"ada", Instructor}, {"ben", Operator}, {"<script>", Viewer}, {"cara", Apprentice}} {
		if !users {
			break
		}
		if err := a.Add(t.Context(), u.name, secret, u.role); err != nil {
			t.Fatal(err)
		}
	}
	return a, s
}

// A form from a foreign page changes nothing, though the browser sends the session along.
func TestForeignFormsAreRefused(t *testing.T) {
	a, s := newAccess(t, access.Options{}, true)
	d, err := build(Options{State: newState(t), Records: s, Jobs: s, Access: a, Practice: stillLife{}})
	if err != nil {
		t.Fatal(err)
	}
	b := newBrowser(d.guard(d.mux)).as(t, "ada")
	for _, from := range []map[string]string{
		{"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}, {"Sec-Fetch-Site": "cross-site", "Origin": "http://localhost"},
		{"Origin": "https://evil.example"}, {"Origin": "null"}, {"Origin": "http://localhost.evil.example"}, {"Origin": "http://localhost:81"},
	} {
		b.header = maps.Clone(from)
		b.header["Host"] = "localhost"
		for _, pattern := range patterns(d.mux) {
			method, path := address(pattern)
			if method == http.MethodGet {
				continue
			}
			form := url.Values{"name": {"ben"}, "role": {"viewer"}, "password": {other}, "again": {other}, "present": {secret}}
			if w := b.ask(method, path, form); w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "not sent from a page of this server") {
				t.Errorf("%v to %s: %d %s", from, path, w.Code, w.Body)
			}
		}
	}
	b.header = map[string]string{"Host": "localhost", "Origin": "http://localhost"}
	if w := b.get("/users"); w.Code != http.StatusOK || strings.Count(w.Body.String(), `href="/user?`) != 4 || !strings.Contains(w.Body.String(), "operator</td>") {
		t.Errorf("after all that: %d, %s", w.Code, w.Body)
	}
	if w := b.ask(http.MethodPost, "/user/role", url.Values{"name": {"ben"}, "role": {"viewer"}}); w.Code != http.StatusSeeOther {
		t.Errorf("our own page's form: %d", w.Code)
	}
}

func TestSignInAndOut(t *testing.T) {
	a, s := newAccess(t, access.Options{}, true)
	h := newPages(t, Options{State: newState(t), Records: s, Access: a})
	b := newBrowser(h)
	if w := b.get("/history?bench=b&slot=f01"); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/sign-in?next=%2Fhistory%3Fbench%3Db%26slot%3Df01" {
		t.Fatalf("not signed in: %d, %s", w.Code, w.Header().Get("Location"))
	}
	doc := parsed(t, b.get("/sign-in?next=%2Fhistory%3Fbench%3Db"))
	if f := all(doc, "input", "name"); len(f) != 3 || attr(f[0], "value") != "/history?bench=b" {
		t.Errorf("the form has %d fields", len(f))
	}
	unknown, wrong := b.signIn("nobody", secret, "/"), b.signIn("ada", other, "/")
	if unknown.Code != http.StatusUnauthorized || wrong.Code != http.StatusUnauthorized || len(b.cookies) != 0 {
		t.Errorf("unknown: %d, wrong: %d, cookies %v", unknown.Code, wrong.Code, b.cookies)
	}
	made := regexp.MustCompile(`<p class="made".*|value="(ada|nobody)"`)
	if made.ReplaceAllString(unknown.Body.String(), "") != made.ReplaceAllString(wrong.Body.String(), "") {
		t.Errorf("an unknown name and a wrong password are told apart:\n%s\n%s", unknown.Body, wrong.Body)
	}
	if w := b.signIn("ADA", secret, "/history?bench=b"); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/history?bench=b" {
		t.Fatalf("signed in: %d, %s", w.Code, w.Header().Get("Location"))
	}
	page := words(parsed(t, b.get("/health")))
	if !strings.Contains(page, "ada , instructor Sign out") {
		t.Errorf("the page does not say who is signed in: %s", page)
	}
	stolen := maps.Clone(b.cookies)
	if w := b.ask(http.MethodPost, "/sign-out", url.Values{}); w.Code != http.StatusSeeOther || len(b.cookies) != 0 {
		t.Errorf("signing out: %d, cookies %v", w.Code, b.cookies)
	}
	thief := newBrowser(h)
	thief.cookies = stolen
	for _, cookies := range []map[string]string{stolen, {"keyturn": strings.Repeat("A", 43)}, {"keyturn": "' OR 1=1"}, {"keyturn": strings.Repeat("x", 9000)}} {
		thief.cookies = cookies
		if w := thief.get("/"); w.Code != http.StatusSeeOther {
			t.Errorf("a token that is none: %d", w.Code)
		}
		if w := thief.get("/events"); w.Code != http.StatusUnauthorized || strings.Contains(w.Body.String(), "event:") {
			t.Errorf("its stream: %d", w.Code)
		}
		if w := thief.ask(http.MethodPost, "/users", url.Values{"name": {"eve"}}); w.Code != http.StatusUnauthorized || !strings.Contains(w.Body.String(), "Nothing was changed") {
			t.Errorf("its form: %d, %s", w.Code, w.Body)
		}
	}
}

func TestNoSpellingOfAnAddressGetsPast(t *testing.T) {
	a, s := newAccess(t, access.Options{}, true)
	b := newBrowser(newPages(t, Options{State: newState(t), Records: s, Access: a}))
	for _, path := range []string{
		"/assets/../history", "/assets/..%2fhistory", "/assets/x%2f..%2f..%2fhistory", "/assets/%2e%2e/history", "//history", "/./history", "/sign-in/../history",
		"/sign-in%2f..%2fhistory", "/history?x=/assets/", "/history%3f/assets/", "/Sign-In", "/sign-in/", "/assets/", "/%68istory",
	} {
		for _, method := range []string{"GET", "HEAD", "POST", "CONNECT", "PUT", "assets"} {
			w := b.ask(method, path, nil)
			if w.Code == http.StatusOK || w.Code == http.StatusMethodNotAllowed || strings.Contains(w.Body.String(), "<h1>History") {
				t.Errorf("%s %s: %d", method, path, w.Code)
			}
		}
	}
}

func TestSignInTakesNothingElse(t *testing.T) {
	a, s := newAccess(t, access.Options{}, true)
	h := newPages(t, Options{State: newState(t), Records: s, Access: a})
	for next, want := range map[string]string{ // each by itself
		"/history?bench=b": "/history?bench=b", "": "/", "https://evil.example/": "/", "//evil.example/": "/", `/\evil.example/`: "/", `\\evil.example`: "/",
		"javascript:alert(1)": "/", "evil.example": "/", "/%0d%0aSet-Cookie:x=y": "/%0d%0aSet-Cookie:x=y", "/x\r\nSet-Cookie: x=y": "/", "http:/evil.example": "/", "///evil.example": "/",
		" //evil.example": "/", "/\t/evil.example": "/", "//user@evil.example/": "/",
	} {
		b := newBrowser(h)
		w := b.signIn("ada", secret, next)
		if got := w.Header().Get("Location"); w.Code != http.StatusSeeOther || got != want || len(w.Result().Cookies()) != 1 {
			t.Errorf("next %q leads to %q, %v", next, got, w.Result().Cookies())
		}
	}
	// Whether a password is held against a hash at all shows in what it is told.
	for name, want := range map[string]int{strings.Repeat("a", 4000): 401, "ada\r\nSet-Cookie: x=y": 401, `"><script>alert(1)</script>`: 401, strings.Repeat("b", signInMost): 400} { // likewise
		w := newBrowser(h).signIn(name, strings.Repeat("x", 1000), "/")
		if w.Code != want || len(w.Result().Cookies()) != 0 || scripts(parsed(t, w)) != 0 {
			t.Errorf("%.20q: %d, want %d", name, w.Code, want)
		}
	}
	var limited *httptest.ResponseRecorder
	for range 30 {
		if limited = newBrowser(h).signIn("ben", other, "/"); limited.Code != http.StatusUnauthorized {
			break
		}
	}
	if limited.Code != http.StatusTooManyRequests || limited.Header().Get("Retry-After") == "" || !strings.Contains(limited.Body.String(), "Try again in") {
		t.Errorf("guessing on and on: %d, %s", limited.Code, limited.Body)
	}
}

func TestUsersPages(t *testing.T) {
	a, s := newAccess(t, access.Options{}, true)
	h := newPages(t, Options{State: newState(t), Records: s, Access: a})
	ada := newBrowser(h).as(t, "ada")
	for _, path := range []string{"/users", "/user?name=%3Cscript%3E", "/account"} {
		w := ada.get(path)
		if doc := parsed(t, w); w.Code != http.StatusOK || scripts(doc) != 0 || strings.Contains(w.Body.String(), "<script>") {
			t.Errorf("%s: %d, a name became a script", path, w.Code)
		}
	}
	if doc := parsed(t, newBrowser(h).as(t, "<script>").get("/account")); scripts(doc) != 0 || !strings.Contains(words(doc), "<script> , viewer Sign out") {
		t.Errorf("a name became a script: %s", words(doc))
	}
	ben := newBrowser(h).as(t, "ben")
	both := func(f url.Values) url.Values { f["again"] = f["password"]; return f }
	for _, c := range []struct {
		path string
		form url.Values
		want int
		say  string
	}{
		{"/users", both(url.Values{"name": {"cleo"}, "role": {"operator"}, "password": {other}}), 303, ""},
		{"/users", both(url.Values{"name": {"Cleo"}, "role": {"viewer"}, "password": {other}}), 409, "There is a user of that name already"},
		{"/users", both(url.Values{"name": {"dan"}, "role": {"root"}, "password": {other}}), 422, "A role is apprentice, viewer, operator or instructor"},
		{"/users", both(url.Values{"name": {"dan"}, "role": {"viewer"}, "password": {"short"}}), 422, "at least 10 characters"},
		{"/users", both(url.Values{"name": {"dan"}, "role": {"viewer"}, "password": {strings.Repeat("long ", 100)}}), 422, "too long"},
		{"/users", url.Values{"name": {"dan"}, "role": {"viewer"}, "password": {other}, "again": {secret}}, 422, "not the same"},
		{"/users", both(url.Values{"name": {"two words"}, "role": {"viewer"}, "password": {other}}), 422, "A name is one word"},
		{"/users", url.Values{"name": {strings.Repeat("x", formMax)}}, 400, "too long"},
		{"/user/role", url.Values{"name": {"ben"}, "role": {"viewer"}}, 303, ""},
		{"/user/role", url.Values{"name": {"ada"}, "role": {"viewer"}}, 409, "That is the last instructor"},
		{"/user/remove", url.Values{"name": {"ada"}}, 409, "That is the last instructor"},
		{"/user/remove", url.Values{"name": {"nobody"}}, 404, "There is no user of that name"},
		{"/user/password", both(url.Values{"name": {"cleo"}, "password": {secret}}), 303, ""},
		{"/user/remove", url.Values{"name": {"<script>"}}, 303, ""},
	} {
		w := ada.ask(http.MethodPost, c.path, c.form)
		if w.Code != c.want || !strings.Contains(words(parsed(t, w)), c.say) {
			t.Errorf("%s %v: %d, want %d and %q: %s", c.path, c.form, w.Code, c.want, c.say, w.Body)
		}
	}
	if w := ben.get("/account"); w.Code != http.StatusSeeOther {
		t.Errorf("ben, whose role was changed, is signed in still: %d", w.Code)
	}
	users, err := a.Users(t.Context())
	got := []string{}
	for _, u := range users {
		got = append(got, u.Name+" "+u.Role)
	}
	if err != nil || !slices.Equal(got, []string{"ada instructor", "ben viewer", "cara apprentice", "cleo operator"}) {
		t.Errorf("users %v, %v", got, err)
	}
	w := ada.ask(http.MethodPost, "/account", both(url.Values{"present": {secret}, "password": {other}}))
	if w.Code != http.StatusSeeOther || !strings.Contains(words(parsed(t, ada.get(w.Header().Get("Location")))), "Your password was changed") {
		t.Errorf("ada's own password: %d", w.Code)
	}
}

func TestSetUpShowsNothingElse(t *testing.T) {
	a, s := newAccess(t, access.Options{}, false)
	d, err := build(Options{State: newState(t), Records: s, Access: a})
	if err != nil {
		t.Fatal(err)
	}
	b := newBrowser(d.guard(d.mux))
	code := a.NewCode()
	for _, pattern := range patterns(d.mux) {
		method, path := address(pattern)
		w := b.ask(method, path, url.Values{})
		switch {
		case path == "/set-up" || strings.HasPrefix(path, "/assets/"):
		case method == http.MethodGet && path != "/events":
			if w.Code != http.StatusSeeOther || !strings.HasPrefix(w.Header().Get("Location"), "/set-up") {
				t.Errorf("%s: %d, %s", pattern, w.Code, w.Header().Get("Location"))
			}
		case w.Code != http.StatusUnauthorized:
			t.Errorf("%s: %d", pattern, w.Code)
		}
	}
	if doc := parsed(t, b.get("/set-up")); len(all(doc, "form", "action")) != 1 || strings.Contains(words(doc), code) {
		t.Errorf("the page to set up: %s", words(doc))
	}
	form := url.Values{"code": {"AAAAA-AAAAA"}, "name": {"ada"}, "password": {secret}, "again": {secret}}
	if w := b.ask(http.MethodPost, "/set-up", form); w.Code != http.StatusForbidden || len(b.cookies) != 0 {
		t.Errorf("a guessed code: %d", w.Code)
	}
	form.Set("code", code)
	if w := b.ask(http.MethodPost, "/set-up", form); w.Code != http.StatusSeeOther {
		t.Fatalf("the code: %d, %s", w.Code, w.Body)
	}
	if w := b.get("/users"); w.Code != http.StatusOK {
		t.Errorf("the first user: %d", w.Code)
	}
	form.Set("name", "eve")
	if w := b.ask(http.MethodPost, "/set-up", form); w.Code != http.StatusConflict {
		t.Errorf("a second time: %d", w.Code)
	}
	if w := newBrowser(b.h).ask(http.MethodPost, "/set-up", form); w.Code != http.StatusUnauthorized {
		t.Errorf("a second time, by somebody else: %d", w.Code)
	}
	if users, err := a.Users(t.Context()); err != nil || len(users) != 1 {
		t.Errorf("%d users, %v", len(users), err)
	}
}

func TestLoopbackIsOpenUntilThereIsAUser(t *testing.T) {
	a, s := newAccess(t, access.Options{Open: true}, false)
	b := newBrowser(newPages(t, Options{State: newState(t), Records: s, Access: a}))
	if w := b.get("/"); w.Code != http.StatusOK || strings.Contains(w.Body.String(), "Sign out") {
		t.Errorf("at first: %d", w.Code)
	}
	if w := b.get("/account"); w.Code != http.StatusNotFound {
		t.Errorf("the account of nobody: %d", w.Code)
	}
	form := url.Values{"name": {"ada"}, "role": {"instructor"}, "password": {secret}, "again": {secret}}
	if w := b.ask(http.MethodPost, "/users", form); w.Code != http.StatusSeeOther {
		t.Fatalf("the first user: %d, %s", w.Code, w.Body)
	}
	if w := b.get("/"); w.Code != http.StatusSeeOther {
		t.Errorf("once there is a user: %d", w.Code)
	}
	b.as(t, "ada")
}

// Where users cannot be looked up, nobody is let in.
func TestRecordsThatFailLetNobodyIn(t *testing.T) {
	for _, open := range []bool{true, false} {
		a, s := newAccess(t, access.Options{Open: open}, false)
		b := newBrowser(newPages(t, Options{State: newState(t), Access: a}))
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		for _, path := range []string{"/", "/events", "/users"} {
			if w := b.get(path); w.Code != http.StatusServiceUnavailable {
				t.Errorf("%s: %d", path, w.Code)
			}
		}
	}
}

func TestStreamEndsWithItsSession(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, s := newAccess(t, access.Options{}, true)
		h := newPages(t, Options{State: newState(t), Records: s, Access: a})
		b := newBrowser(h).as(t, "ben")
		r, leave := listen(t, h, "/events", "", &http.Cookie{Name: "keyturn", Value: b.cookies["keyturn"]})
		defer leave()
		<-r.out
		if got := <-r.out; !strings.HasPrefix(got, "event: beat") {
			t.Fatalf("while signed in: %q", got)
		}
		begin := time.Now()
		b.ask(http.MethodPost, "/sign-out", url.Values{})
		if got := <-r.out; !strings.HasPrefix(got, "event: ended") || time.Since(begin) > beatEvery {
			t.Errorf("%v after signing out: %q", time.Since(begin), got)
		}
		<-r.ended
	})
}

func TestAsking(t *testing.T) {
	proxy := netip.MustParseAddr("10.0.0.2")
	for _, c := range []struct {
		o               Options
		peer, xff, host string
		want            int
		from            string
	}{
		{o: Options{}, peer: "127.0.0.1:5", want: 200, from: "127.0.0.1"},
		{o: Options{}, peer: "127.0.0.1:5", xff: "192.0.2.9", want: 403},
		{o: Options{Secure: true}, peer: "192.0.2.1:5", xff: "192.0.2.9", want: 200, from: "192.0.2.1"},
		{o: Options{Secure: true, Proxy: proxy}, peer: "10.0.0.2:5", xff: "6.6.6.6, 192.0.2.9", want: 200, from: "192.0.2.9"},
		{o: Options{Secure: true, Proxy: proxy}, peer: "[::ffff:10.0.0.2]:5", xff: "192.0.2.9, nonsense", want: 200, from: "10.0.0.2"},
		{o: Options{Secure: true, Proxy: proxy}, peer: "10.0.0.2:5", want: 200, from: "10.0.0.2"},
		{o: Options{Secure: true, Proxy: proxy}, peer: "10.0.0.3:5", xff: "10.0.0.2", want: 403},
		{o: Options{Secure: true, Proxy: netip.MustParseAddr("127.0.0.1")}, peer: "[::1]:5", xff: "192.0.2.9", want: 200, from: "192.0.2.9"},
		{o: Options{Hosts: []string{"dash.shop.example"}}, peer: "127.0.0.1:5", host: "dash.shop.example:8733", want: 200, from: "127.0.0.1"},
		{o: Options{Hosts: []string{"dash.shop.example"}}, peer: "127.0.0.1:5", host: "localhost", want: 421},
		{o: Options{Hosts: []string{"dash.shop.example"}}, peer: "127.0.0.1:5", host: "dash.shop.example.evil.example", want: 421},
	} {
		c.o.State = newState(t)
		d, err := build(c.o)
		if err != nil {
			t.Fatal(err)
		}
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		if r.RemoteAddr, r.Host = c.peer, c.host; c.host == "" {
			r.Host = "localhost"
		}
		if c.xff != "" {
			r.Header.Add("X-Forwarded-For", "1.2.3.4")
			r.Header.Add("X-Forwarded-For", c.xff)
		}
		w := httptest.NewRecorder()
		d.guard(d.mux).ServeHTTP(w, r)
		if w.Code != c.want || c.want == 200 && d.from(r).String() != c.from {
			t.Errorf("%+v: %d from %v", c, w.Code, d.from(r))
		}
		if got := w.Header().Get("Strict-Transport-Security"); (got != "") != c.o.Secure {
			t.Errorf("%+v: HSTS %q", c, got)
		}
	}
}

// Where there is no user the form makes an instructor, the only role that is taken, and
// says to sign in; afterwards every role is to be had.
func TestTheFirstUserIsOneself(t *testing.T) {
	a, s := newAccess(t, access.Options{Open: true}, false)
	d, err := build(Options{State: newState(t), Records: s, Access: a, Hosts: Loopback()})
	if err != nil {
		t.Fatal(err)
	}
	b := newBrowser(d.guard(d.mux))
	doc := parsed(t, b.get("/users"))
	if roles := all(doc, "option", "value"); len(roles) != 1 || attr(roles[0], "value") != "instructor" || !strings.Contains(words(doc), "Make the first user: yourself") {
		t.Errorf("the form of the first user: %s", words(doc))
	}
	w := b.ask(http.MethodPost, "/users", url.Values{"name": {"teacher"}, "role": {"instructor"}, "password": {secret}, "again": {secret}})
	if w.Code != http.StatusSeeOther || !strings.Contains(words(parsed(t, b.get(w.Header().Get("Location")))), "The first user was made, an instructor. Sign in now") {
		t.Errorf("the first user: %d, to %s", w.Code, w.Header().Get("Location"))
	}
	b.as(t, "teacher")
	doc = parsed(t, b.get("/users"))
	if roles := all(doc, "option", "value"); len(roles) != len(access.Roles()) || strings.Contains(words(doc), "yourself") {
		t.Errorf("the form of the second user: %s", words(doc))
	}
	if nav := all(doc, "nav", ""); len(nav) > 0 && !strings.Contains(words(nav[0]), "Class") {
		t.Error("an instructor has no way to the class in the bar")
	}
}
