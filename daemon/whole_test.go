package daemon_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/daemon"
	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// whole is a daemon in this process, on a simulated vehicle, at a real broker.
type whole struct {
	t      *testing.T
	health *daemon.Health
	stop   context.CancelFunc
	ended  chan error
	store  *outbox.Store
}

func startWhole(t *testing.T, b *linktest.Broker) *whole {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	w := &whole{t: t, health: &daemon.Health{}, stop: stop, ended: make(chan error, 1)}
	o, err := simulated(3, adc.Instant(time.Minute), false, pace(ctx, 5))
	if err != nil {
		t.Fatal(err)
	}
	if w.store, _, err = outbox.OpenStore(outbox.StoreOptions{Path: filepath.Join(t.TempDir(), "results.db")}); err != nil {
		t.Fatal(err)
	}
	o.Bench, o.Root, o.Boot = "whole", protocol.DefaultRoot, "0c4a05fe"
	o.Broker = link.Broker{URL: b.URL(), ClientID: "keyturnd-whole"}
	o.Outbox, o.Health, o.Requests, o.Receipts = w.store, w.health, true, true
	go func() { w.ended <- daemon.Run(ctx, o) }()
	return w
}

func (w *whole) end() {
	w.t.Helper()
	w.stop()
	if err := <-w.ended; err != nil {
		w.t.Error(err)
	}
	if err := w.store.Close(); err != nil {
		w.t.Error(err)
	}
}

// eventually waits until something holds.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.After(30 * time.Second); !holds(); {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("never: %s", what)
		}
	}
}

// A request goes over a real broker and is answered; one that the broker had kept is
// refused, also after a new connection, and one that is too long is not even read.
func TestRequestsOverABroker(t *testing.T) {
	b := linktest.Start(t, "")
	replies := make(chan *protocol.Reply, 16)
	tester, err := link.NewSubscriber(t.Context(), link.SubscriberOptions{Broker: link.Broker{URL: b.URL(), ClientID: "tester"},
		Filters: []string{"keyturn/v1/whole/reply/tester/+"}, Take: func(m link.Message) {
			defer m.Ack()
			d, err := protocol.Decode(m.Payload)
			if err != nil {
				t.Error(err)
				return
			}
			replies <- d.(*protocol.Reply)
		}})
	if err != nil {
		t.Fatal(err)
	}
	defer tester.Close()
	ask := func(id string, retained bool) {
		t.Helper()
		r := &protocol.Request{Header: protocol.Header{Bench: "whole", Boot: "0c4a05fe", MonoNS: int64(2 * time.Minute)}, Verb: protocol.VerbIdentify, Client: "tester", ID: id, ExpiresNS: int64(5 * time.Minute)}
		payload, err := protocol.Encode(r)
		if err != nil {
			t.Fatal(err)
		}
		if err := tester.Publish(t.Context(), "keyturn/v1/whole/request/identify", retained, payload); err != nil {
			t.Fatal(err)
		}
	}
	answer := func(id, code string) {
		t.Helper()
		select {
		case r := <-replies:
			if r.ID != id || string(r.Code) != code || code == "" && r.Software == "" {
				t.Errorf("%+v, want %q for %s", r, code, id)
			}
		case <-time.After(20 * time.Second):
			t.Fatalf("no reply to %s", id)
		}
	}
	ask("kept", true) // while no bench is there
	w := startWhole(t, b)
	answer("kept", protocol.RefusedRetained)
	ask("now", false)
	answer("now", "")
	if err := tester.Publish(t.Context(), "keyturn/v1/whole/request/note", false, []byte(strings.Repeat("x", protocol.RequestMax+1))); err != nil {
		t.Fatal(err)
	}
	if err := tester.Publish(t.Context(), "keyturn/v1/whole/stored/thief", false, []byte(`{"version":"keyturn/1","kind":"receipt","bench":"whole","boot":"0c4a05fe","mono_ns":1,"keeper":"records","stream":"s","up_to_seq":9}`)); err != nil {
		t.Fatal(err)
	}
	eventually(t, "both are counted as refused", func() bool {
		return strings.Contains(metrics(t, w.health), "keyturn_link_inward_refused_total{bench=\"whole\"} 2\n")
	})
	w.end()
}

func metrics(t *testing.T, h *daemon.Health) string {
	t.Helper()
	r := httptest.NewRecorder()
	h.ServeHTTP(r, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	return r.Body.String()
}

// A daemon that is well says so; every line of its metrics is of the text format.
func TestHealth(t *testing.T) {
	w := startWhole(t, linktest.Start(t, ""))
	eventually(t, "it is well", func() bool {
		return len(w.health.Check()) == 0 && strings.Contains(metrics(t, w.health), "link_connected{bench=\"whole\"} 1\n")
	})
	line := regexp.MustCompile(`^(# (HELP|TYPE) keyturn_\w+ .+|keyturn_\w+\{bench="whole"(,\w+="[^"]*")*\} [0-9.e+-]+)$`)
	text := metrics(t, w.health)
	for l := range strings.Lines(text) {
		if !line.MatchString(strings.TrimSuffix(l, "\n")) {
			t.Errorf("%q", l)
		}
	}
	for _, want := range []string{`lead_interval_mean_seconds{bench="whole",lead="lead-16"} 0.00`, `chip_verified_total{bench="whole",chip="adc-4"}`, "outbox_queued", `info{bench="whole",boot="0c4a05fe"`} {
		if !strings.Contains(text, want) {
			t.Errorf("no %s in\n%s", want, text)
		}
	}
	for _, c := range []struct {
		method, path string
		code         int
		body         string
	}{
		{http.MethodGet, "/healthz", 200, "ok: 16 of 16 leads seen"},
		{http.MethodGet, "/", 404, "/healthz and /metrics"},
		{http.MethodPost, "/healthz", 405, "only GET"},
	} {
		r := httptest.NewRecorder()
		w.health.ServeHTTP(r, httptest.NewRequest(c.method, c.path, nil))
		if r.Code != c.code || !strings.Contains(r.Body.String(), c.body) {
			t.Errorf("%s %s: %d %s", c.method, c.path, r.Code, r.Body)
		}
	}
	if hung := w.health.Hung(); hung != "" {
		t.Error(hung)
	}
	w.end()
	eventually(t, "that it stands still is seen", func() bool { return w.health.Hung() != "" })
	r := httptest.NewRecorder()
	(&daemon.Health{}).ServeHTTP(r, httptest.NewRequest(http.MethodGet, "/healthz", nil))
	if r.Code != 503 || !strings.Contains(r.Body.String(), "nothing was sampled yet") {
		t.Errorf("before the first sample: %d %s", r.Code, r.Body)
	}
}

// What was stopped is gone: as many goroutines as before.
func TestNothingIsLeftRunning(t *testing.T) {
	b := linktest.Start(t, "")
	before := runtime.NumGoroutine()
	for range 3 {
		w := startWhole(t, b)
		eventually(t, "it is connected", func() bool { return strings.Contains(metrics(t, w.health), "link_connected{bench=\"whole\"} 1\n") })
		w.end()
		eventually(t, "all goroutines are gone", func() bool { return runtime.NumGoroutine() <= before })
	}
}
