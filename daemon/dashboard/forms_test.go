package dashboard

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// send posts a form as a browser on this machine would.
func send(h http.Handler, path string, sent url.Values) *httptest.ResponseRecorder {
	return post(h, path, "application/x-www-form-urlencoded", []byte(sent.Encode()))
}

func post(h http.Handler, path, kind string, body []byte) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, path, bytes.NewReader(body))
	r.Host = "localhost:8080"
	r.Header.Set("Content-Type", kind)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// sent posts a form that is taken, and returns where it leads.
func sent(t *testing.T, h http.Handler, path string, pairs ...string) string {
	t.Helper()
	v := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	w := send(h, path, v)
	if w.Code != http.StatusSeeOther {
		t.Fatalf("POST %s: %d: %.2000s", path, w.Code, w.Body)
	}
	to, _, _ := strings.Cut(w.Header().Get("Location"), "#")
	return to
}

// answer holds the answer to a form to what every page must keep to.
func answer(t *testing.T, w *httptest.ResponseRecorder, status int) (*html.Node, string) {
	t.Helper()
	return pageAt(t, http.HandlerFunc(func(to http.ResponseWriter, _ *http.Request) {
		to.WriteHeader(w.Code)
		to.Write(w.Body.Bytes())
	}), "/the-answer", status)
}

func has(t *testing.T, what, text string, wants ...string) {
	t.Helper()
	for _, want := range wants {
		if !strings.Contains(text, want) {
			t.Errorf("%s: no %q in %s", what, want, text)
		}
	}
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
