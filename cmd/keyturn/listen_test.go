package main

import (
	"log/slog"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"testing"

	"keyturn/daemon/link"
	"keyturn/protocol"
)

// What would be unsafe is not opened, and the answer says what to do.
func TestUnsafeDoorsStayShut(t *testing.T) {
	host := []string{"dash.shop.example"}
	for _, c := range []struct {
		door door
		say  string
	}{
		{door{listen: "0.0.0.0:0"}, "--tls-cert"}, {door{listen: ":0"}, "--tls-cert"}, {door{listen: "[::]:0", hosts: host}, "--tls-cert"},
		{door{listen: "192.168.1.5:0", hosts: host}, "--behind-proxy"}, {door{listen: "bench.example:0", hosts: host}, "--behind-proxy"},
		{door{listen: "127.0.0.1"}, "a port"}, {door{listen: "127.0.0.1:0", certFile: "x"}, "go together"}, {door{listen: "127.0.0.1:0", keyFile: "x"}, "go together"},
		{door{listen: ":0", proxy: "10.0.0.2"}, "--host"}, {door{listen: "127.0.0.1:0", proxy: "127.0.0.1"}, "--host"}, {door{listen: ":0", certFile: "x", keyFile: "y"}, "--host"},
		{door{listen: ":0", proxy: "nginx", hosts: host}, "like 127.0.0.1"}, {door{listen: ":0", certFile: "none", keyFile: "none", hosts: host}, "certificate"},
		{door{listen: "127.0.0.1:0", hosts: []string{"dash.shop.example:8733"}}, "without port"},
	} {
		if h, err := c.door.open(slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%+v: %v, %v, want %q", c.door, h, err, c.say)
		}
	}
	for _, listen := range []string{"127.0.0.1:0", "localhost:0"} {
		h, err := door{listen: listen, hosts: host}.open(slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		if !h.open || h.secure || len(h.hosts) != 4 || h.url != "http://"+h.Addr().String()+"/" {
			t.Errorf("%s: %+v", listen, h)
		}
		h.Close()
	}
}

// Behind a proxy nothing is open, though it is heard on loopback only: the first user
// needs the code, and cookies go over TLS only.
func TestSetUpBehindAProxy(t *testing.T) {
	s, err := startShop(t.Context(), shopOptions{broker: link.Broker{URL: "tcp://127.0.0.1:1"}, root: protocol.DefaultRoot, records: filepath.Join(t.TempDir(), "records.db"),
		keeper: "records", client: "shop", listen: "127.0.0.1:0", door: door{hosts: []string{"dash.shop.example"}, proxy: "127.0.0.1"}, logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.close(); err != nil {
			t.Error(err)
		}
	}()
	ask := func(method, path string, form url.Values) *http.Response {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, "http://"+s.address+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		r.Host = "dash.shop.example"
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w, err := http.DefaultTransport.RoundTrip(r)
		if err != nil {
			t.Fatal(err)
		}
		w.Body.Close()
		return w
	}
	if w := ask(http.MethodGet, "/", nil); w.StatusCode != http.StatusSeeOther || !strings.HasPrefix(w.Header.Get("Location"), "/set-up") || w.Header.Get("Strict-Transport-Security") == "" {
		t.Errorf("at first: %d, %v", w.StatusCode, w.Header)
	}
	form := url.Values{"code": {s.access.NewCode()}, "name": {"ada"}, "password": {"five lamps glow dim"}, "again": {"five lamps glow dim"}}
	w := ask(http.MethodPost, "/set-up", form)
	if c := w.Cookies(); w.StatusCode != http.StatusSeeOther || len(c) != 1 || !c[0].Secure || !strings.HasPrefix(c[0].Name, "__Host-") {
		t.Errorf("set up: %d, %v", w.StatusCode, c)
	}
	if w := ask(http.MethodGet, "/", nil); !strings.HasPrefix(w.Header.Get("Location"), "/sign-in") {
		t.Errorf("then: %d, %v", w.StatusCode, w.Header)
	}
}
