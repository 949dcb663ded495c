package main

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"keyturn/daemon"
	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// cyclePage is where a key cycle is shown.
var cyclePage = regexp.MustCompile(`/cycle/[a-z0-9-]+/[0-9a-f]+-[0-9]+`)

func get(t *testing.T, url string) (int, string) {
	t.Helper()
	r, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(body)
}

// A bench measures a key cycle; the shop's server keeps it, says so to the bench, and
// shows it: live, in the history, as a picture with its table, and after a restart.
func TestDashboardKeepsAndShowsACycle(t *testing.T) {
	broker := linktest.Start(t, "")
	dir := t.TempDir()
	o := shopOptions{broker: link.Broker{URL: broker.URL()}, root: protocol.DefaultRoot, records: filepath.Join(dir, "records.db"), keeper: "records",
		client: "shop", listen: "127.0.0.1:0", logger: slog.New(slog.DiscardHandler)}
	s, err := startShop(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	sim, err := newSimulation(0, true, false, broker.URL())
	if err != nil {
		t.Fatal(err)
	}
	store, _, err := outbox.OpenStore(outbox.StoreOptions{Path: filepath.Join(dir, "results.db"), Keepers: []string{"records"}})
	if err != nil {
		t.Fatal(err)
	}
	sim.options.Outbox, sim.options.Receipts, sim.options.Blocking = store, true, true
	// Enough for a whole cycle; then the bench rests, but stays connected.
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- daemon.Run(ctx, sim.options) }()
	page := ""
	waitUntil(t, "a cycle is in the history", func() bool {
		_, history := get(t, "http://"+s.address+"/history")
		page = cyclePage.FindString(history)
		return page != ""
	})
	waitUntil(t, "the bench has receipts", func() bool { return store.Counts().Delivered > 0 })
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if err := store.Close(); err != nil {
		t.Error(err)
	}
	code, text := get(t, "http://"+s.address+page)
	for _, want := range []string{"<svg", "Radio", "live with the ignition on (15)", "</table>"} {
		if code != http.StatusOK || !strings.Contains(text, want) {
			t.Errorf("%s: %d, no %q", page, code, want)
		}
	}
	if _, now := get(t, "http://"+s.address+"/"); !strings.Contains(now, "f01") || !strings.Contains(now, "demo") {
		t.Error("the bench is not on the first page")
	}
	if err := s.close(); err != nil {
		t.Fatal(err)
	}
	if s, err = startShop(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	if code, again := get(t, "http://"+s.address+page); code != http.StatusOK || !strings.Contains(again, "<svg") {
		t.Errorf("after a restart: %d", code)
	}
	if err := s.close(); err != nil {
		t.Error(err)
	}
}

// What is wrong is said at once, and leaves nothing open: the next start has the
// address and the records.
func TestDashboardThatCannotStart(t *testing.T) {
	o := shopOptions{broker: link.Broker{URL: "tcp://127.0.0.1:1"}, root: protocol.DefaultRoot, records: filepath.Join(t.TempDir(), "records.db"),
		keeper: "Not An Id", client: "shop", listen: "127.0.0.1:0", logger: slog.New(slog.DiscardHandler)}
	if _, err := startShop(t.Context(), o); err == nil || !strings.Contains(err.Error(), "record keeper") {
		t.Errorf("a keeper without a name: %v", err)
	}
	o.keeper, o.records = "records", filepath.Join(t.TempDir(), "none", "records.db")
	if _, err := startShop(t.Context(), o); err == nil || !strings.Contains(err.Error(), "records") {
		t.Errorf("a folder that is not there: %v", err)
	}
}

// waitUntil waits for something to hold.
func waitUntil(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.After(60 * time.Second); !holds(); {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("never: %s", what)
		}
	}
}
