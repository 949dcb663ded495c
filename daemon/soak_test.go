package daemon_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"keyturn/daemon"
	"keyturn/daemon/link"
	"keyturn/protocol"
)

// soak is how long TestSoak runs; an hour tells what memory and disk do.
var soak = flag.Duration("soak", 6*time.Second, "how long TestSoak runs")

// residentMost bounds the memory of a daemon at 16 leads, in bytes: a quarter of the
// smallest Raspberry Pi's.
const residentMost = 128 << 20

// TestSoak runs the daemon in real time, on a vehicle whose key turns and on one that
// is left alone, and prints what it costs: memory, bytes written, and how long a
// result takes to a subscriber with the store and without it.
func TestSoak(t *testing.T) {
	for _, c := range []struct {
		name  string
		child child
	}{
		{"busy", child{Speed: 1}},
		{"busy, results in memory", child{Speed: 1, Memory: true}},
		{"idle", child{Speed: 1, Quiet: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			x := newChaos(t, c.child, filepath.Join(t.TempDir(), "records.db"))
			seen := x.watch()
			s := &soaked{pid: x.run.cmd.Process.Pid}
			look := time.NewTicker(min(*soak/3, time.Minute))
			defer look.Stop()
			ended := time.After(*soak)
			for running := true; running; {
				select {
				case <-look.C:
				case <-ended:
					running = false
				}
				if err := s.look(); err != nil {
					t.Fatal(err)
				}
			}
			x.settle()
			x.stopKeeper()
			<-x.keeperStopped
			s.report(t, x, seen(), c.child.Quiet)
		})
	}
}

// soaked is what was seen of a process.
type soaked struct {
	pid      int
	resident []int64 // bytes
	written  int64   // bytes, of all
}

func (s *soaked) look() error {
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.pid))
	if err != nil {
		return err
	}
	io, err := os.ReadFile(fmt.Sprintf("/proc/%d/io", s.pid))
	if err != nil {
		return err
	}
	s.resident = append(s.resident, field(string(status), "VmRSS:")<<10)
	s.written = field(string(io), "write_bytes:")
	return nil
}

// field is the number after a name in a file of /proc.
func field(text, name string) int64 {
	_, rest, _ := strings.Cut(text, "\n"+name)
	n, _ := strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
	return n
}

func (s *soaked) report(t *testing.T, x *chaos, arrived map[string]time.Time, quiet bool) {
	t.Logf("resident memory: first %.1f MB, most %.1f MB, last %.1f MB over %v", float64(s.resident[0])/1e6, float64(slices.Max(s.resident))/1e6, float64(s.resident[len(s.resident)-1])/1e6, *soak)
	if most := slices.Max(s.resident); most > residentMost && !daemon.Raced {
		t.Errorf("%d MB of memory, want at most %d", most>>20, residentMost>>20)
	}
	puts := x.incarnations[0].puts
	t.Logf("%d results, %d bytes written: %.0f a result, %.0f an hour", len(puts), s.written, float64(s.written)/float64(max(1, len(puts))), float64(s.written)/soak.Hours())
	var took []time.Duration
	for _, p := range puts {
		if at, ok := arrived[p.print]; ok {
			took = append(took, at.Sub(p.at))
		}
	}
	slices.Sort(took)
	if n := len(took); n > 0 {
		t.Logf("from the core to a subscriber: median %v, 99 %% %v, of %d", took[n/2].Round(time.Microsecond), took[n*99/100].Round(time.Microsecond), n)
	}
	if len(took) < len(puts) || len(puts) == 0 || !quiet && *soak > time.Minute && len(puts) < 20 {
		t.Errorf("%d results arrived of %d", len(took), len(puts))
	}
}

// watch reads what is published, like any subscriber, and notes when each result came.
func (c *chaos) watch() (seen func() map[string]time.Time) {
	var mu sync.Mutex
	arrived := map[string]time.Time{}
	sub, err := link.Subscribe(c.t.Context(), c.broker.URL(), "watcher", protocol.ResultFilter(protocol.DefaultRoot, "+"), func(m link.Message) {
		at := time.Now()
		d, err := protocol.Decode(m.Payload)
		if err != nil {
			c.t.Error(err)
			return
		}
		print, err := fingerprint(d.(protocol.Result))
		if err != nil {
			c.t.Error(err)
		}
		mu.Lock()
		defer mu.Unlock()
		if _, again := arrived[print]; !again {
			arrived[print] = at
		}
	})
	if err != nil {
		c.t.Fatal(err)
	}
	return func() map[string]time.Time {
		sub.Close()
		mu.Lock()
		defer mu.Unlock()
		return arrived
	}
}
