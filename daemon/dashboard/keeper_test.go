package dashboard

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/daemon/records"
	"keyturn/daemon/records/recordstest"
	"keyturn/protocol"
)

// What the broker has kept for a keeper that was away comes all at once, before the
// broker has answered anything; it is kept, on that first connection.
func TestKeeperComesBackToABacklog(t *testing.T) {
	broker := linktest.Start(t, "allow_anonymous true\nmax_inflight_messages 1000\n")
	store, err := records.Open(t.Context(), records.Options{URL: filepath.Join(t.TempDir(), "records.db")})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	// keep runs a keeper until something holds of what it has done.
	keep := func(until func(KeeperCounts) bool) KeeperCounts {
		k, err := NewKeeper(KeeperOptions{Broker: link.Broker{URL: broker.URL(), ClientID: "records"}, Root: protocol.DefaultRoot, Name: "records", Records: store})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { k.Run(ctx); close(ended) }()
		defer func() { stop(); <-ended }()
		tick, deadline := time.NewTicker(20*time.Millisecond), time.After(time.Minute)
		defer tick.Stop()
		for !until(k.Counts()) {
			select {
			case <-tick.C:
			case <-deadline:
				t.Fatalf("never: %+v", k.Counts())
			}
		}
		return k.Counts()
	}
	keep(func(n KeeperCounts) bool { return n.Connects == 1 })
	benches, err := recordstest.LoadBenches()
	if err != nil {
		t.Fatal(err)
	}
	bench, err := link.NewSubscriber(t.Context(), link.SubscriberOptions{Broker: link.Broker{URL: broker.URL(), ClientID: "bench"}, Take: func(link.Message) {}})
	if err != nil {
		t.Fatal(err)
	}
	defer bench.Close()
	const backlog = 5 * keeperQueue
	for seq := range int64(backlog) {
		name, payload := benches.Result("bench-1", seq+1)
		if err := bench.Publish(t.Context(), fmt.Sprintf("%s/v1/bench-1/%s", protocol.DefaultRoot, name), false, payload); err != nil {
			t.Fatal(err)
		}
	}
	if n := keep(func(n KeeperCounts) bool { return n.New == backlog && n.Connects > 0 }); n.Connects != 1 || n.Known > 0 {
		t.Errorf("%+v, want all on the first connection", n)
	}
}
