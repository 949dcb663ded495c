package dashboard

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// browser asks as a browser does, and keeps cookies.
type browser struct {
	h       http.Handler
	cookies map[string]string
	header  map[string]string
}

func newBrowser(h http.Handler) *browser {
	return &browser{h: h, cookies: map[string]string{}, header: map[string]string{"Host": "localhost", "Sec-Fetch-Site": "same-origin"}}
}

func (b *browser) ask(method, path string, form url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(form.Encode()))
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for name, value := range b.header { // each by itself
		r.Header.Set(name, value)
	}
	r.Host = b.header["Host"]
	for name, value := range b.cookies { // each by itself
		r.AddCookie(&http.Cookie{Name: name, Value: value})
	}
	w := httptest.NewRecorder()
	b.h.ServeHTTP(w, r)
	for _, c := range w.Result().Cookies() {
		if b.cookies[c.Name] = c.Value; c.MaxAge < 0 {
			delete(b.cookies, c.Name)
		}
	}
	return w
}

func (b *browser) get(path string) *httptest.ResponseRecorder {
	return b.ask(http.MethodGet, path, nil)
}

// signIn signs in, from a page that leads on to another.
func (b *browser) signIn(name, password, next string) *httptest.ResponseRecorder {
	return b.ask(http.MethodPost, "/sign-in", url.Values{"name": {name}, "password": {password}, "next": {next}})
}

func (b *browser) as(t *testing.T, name string) *browser {
	t.Helper()
	if w := b.signIn(name, secret, "/"); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/" {
		t.Fatalf("%s could not sign in: %d, %s", name, w.Code, w.Body)
	}
	return b
}

func parsed(t *testing.T, w *httptest.ResponseRecorder) *html.Node {
	t.Helper()
	doc, err := html.Parse(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// scripts counts the scripts of a page.
func scripts(doc *html.Node) (n int) {
	for x := range doc.Descendants() {
		if x.Type == html.ElementNode && x.Data == "script" {
			n++
		}
	}
	return n
}
