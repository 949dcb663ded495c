package main

import (
	"context"
	"encoding/json"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"keyturn/daemon"
	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

// Everything that a bench publishes through whole cycles satisfies its schema;
// results come numbered without a hole, and with every kind that a cycle has.
func TestEveryPublishedDocumentSatisfiesItsSchema(t *testing.T) {
	v, err := protocoltest.New()
	if err != nil {
		t.Fatal(err)
	}
	for _, seed := range []uint64{0, 2, 47} {
		b, err := startBroker()
		if err != nil {
			t.Fatal(err)
		}
		sim, err := newSimulation(seed, true, false, b.url)
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		var mu sync.Mutex
		count, last := map[string]int{}, int64(0)
		sub, err := link.Subscribe(ctx, b.url, "reader", protocol.BenchFilter(protocol.DefaultRoot, "+"), func(m link.Message) {
			mu.Lock()
			defer mu.Unlock()
			if err := v.Validate(protocol.DefaultRoot, m.Topic, m.Payload); err != nil {
				t.Errorf("seed %d: %v", seed, err)
				return
			}
			d, err := protocol.Decode(m.Payload)
			if err != nil {
				t.Errorf("seed %d: %v", seed, err)
				return
			}
			count[protocol.MessageOf(d).Name]++
			if r, ok := d.(protocol.Result); ok {
				if seq := r.ResultHead().Seq; seq != last+1 {
					t.Errorf("seed %d: result %d after %d", seed, seq, last)
				}
				last = r.ResultHead().Seq
			}
			if c, ok := d.(*protocol.Cycle); ok && c.Final {
				stop()
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := daemon.Run(ctx, sim.options); err != nil {
			t.Error(err)
		}
		sub.Close()
		if err := b.Close(); err != nil {
			t.Error(err)
		}
		mu.Lock()
		t.Logf("seed %d: %v", seed, count)
		for _, name := range []string{"presence", "bench", "now", "result/bench", "result/transition", "result/crank", "result/cycle"} {
			if count[name] == 0 {
				t.Errorf("seed %d: no %s", seed, name)
			}
		}
		mu.Unlock()
	}
}

// listen lets mosquitto_sub, an outside judge, wait for a number of messages
// under a topic; it returns each as topic and payload.
func listen(t *testing.T, port, topic string, n int) [][2]string {
	t.Helper()
	c := exec.Command("mosquitto_sub", "-h", "127.0.0.1", "-p", port, "-t", topic, "-q", "1", "-v", "-C", strconv.Itoa(n), "-W", "30")
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("mosquitto_sub on %s (Debian package mosquitto-clients): %v\n%s", topic, err, out)
	}
	var got [][2]string
	for line := range strings.Lines(string(out)) {
		name, payload, _ := strings.Cut(strings.TrimSpace(line), " ")
		got = append(got, [2]string{name, payload})
	}
	return got
}

// With a real broker: a subscriber that comes late sees presence, bench and now;
// after kill -9 of the bench it sees the will.
func TestLateSubscriberAndWillWithMosquitto(t *testing.T) {
	program, port := keyturn(t), linktest.Start(t, "").Port
	c := exec.Command(program, "demo", "--broker", "tcp://127.0.0.1:"+port, "--width", "100")
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	killed := false
	defer func() {
		if !killed {
			_ = c.Process.Kill()
			_ = c.Wait()
		}
	}()
	root := protocol.DefaultRoot + "/v1/" + demoBench
	listen(t, port, root+"/now", 2) // it is up and has said something new since

	var names []string
	for _, m := range listen(t, port, root+"/+", 3) {
		name := strings.TrimPrefix(m[0], root+"/")
		names = append(names, name)
		var d struct {
			Kind  string
			State string
			Leads []any
		}
		if err := json.Unmarshal([]byte(m[1]), &d); err != nil || d.Kind != name {
			t.Errorf("%s: kind %q, %v", name, d.Kind, err)
		}
		if name == "presence" && d.State != "online" || name != "presence" && len(d.Leads) == 0 {
			t.Errorf("a late subscriber sees %s", m[1])
		}
	}
	slices.Sort(names)
	if want := []string{"bench", "now", "presence"}; !slices.Equal(names, want) {
		t.Errorf("a late subscriber sees %v, want %v", names, want)
	}

	if err := c.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = c.Wait() // killed: its error says so
	killed = true
	for range 2 { // at once it may still be online
		got := listen(t, port, root+"/presence", 1)
		if strings.Contains(got[0][1], `"state":"cut-off"`) {
			return
		}
		if got = listen(t, port, root+"/presence", 2); strings.Contains(got[1][1], `"state":"cut-off"`) {
			return
		}
	}
	t.Error("no will after kill -9")
}
