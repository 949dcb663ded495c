package main

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/daemon"
	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/protocol"
)

// site is a shop: its broker, its server and its benches, each as they are started for
// people.
type site struct {
	*shop
	t       *testing.T
	broker  *linktest.Broker
	options shopOptions
	cycles  []string // their pages, of the first bench
}

func (s *site) url(path string) string { return "http://" + s.address + path }

// openSite opens a shop without a bench, at a port to which it can come back: one below
// those that the kernel gives to clients (32768 and up).
func openSite(t *testing.T) *site {
	t.Helper()
	s := &site{t: t, broker: linktest.Start(t, "")}
	s.options = shopOptions{broker: link.Broker{URL: s.broker.URL()}, root: protocol.DefaultRoot, records: filepath.Join(t.TempDir(), "records.db"),
		keeper: "records", client: "shop", logger: slog.New(slog.DiscardHandler)}
	waitUntil(t, "a free port", func() bool {
		s.options.listen = "127.0.0.1:" + strconv.Itoa(20000+rand.IntN(12000))
		var err error
		s.shop, err = startShop(t.Context(), s.options)
		return err == nil
	})
	t.Cleanup(s.end)
	return s
}

// end ends the server, if it runs.
func (s *site) end() {
	s.t.Helper()
	if s.shop == nil {
		return
	}
	if err := s.close(); err != nil {
		s.t.Error(err)
	}
	s.shop = nil
}

// again starts the server again, where it was.
func (s *site) again() {
	s.t.Helper()
	var err error
	if s.shop, err = startShop(s.t.Context(), s.options); err != nil {
		s.t.Fatal(err)
	}
}

// bench is a simulated bench. Simulated time passes so many times as fast as the real;
// 0 is as fast as the machine can.
type bench struct{ speed atomic.Int64 }

// bench starts one; stop, or the end of the test, ends it.
func (s *site) bench(id string, seed uint64, speed int64) (b *bench, stop func()) {
	s.t.Helper()
	sim, err := newSimulation(seed, true, s.broker.URL())
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	b = &bench{}
	b.speed.Store(speed)
	sim.options.Bench, sim.options.Broker.ClientID, sim.options.Stream, sim.options.Record = id, "bench-"+id, "stream-"+id, b.pace(ctx)
	ended := make(chan error, 1)
	go func() { ended <- daemon.Run(ctx, sim.options) }()
	done := false
	stop = func() {
		if cancel(); !done {
			done = true
			if err := <-ended; err != nil {
				s.t.Error(err)
			}
		}
	}
	s.t.Cleanup(stop)
	return b, stop
}

// pace holds the bench to its speed.
func (b *bench) pace(ctx context.Context) func(adc.Input) {
	var last adc.Instant
	var owed time.Duration
	return func(in adc.Input) {
		speed := b.speed.Load()
		if speed > 0 && last > 0 {
			owed += max(0, in.At.Sub(last)) / time.Duration(speed)
		}
		if last = max(last, in.At); owed < 2*time.Millisecond {
			return
		}
		select {
		case <-time.After(owed):
		case <-ctx.Done():
		}
		owed = 0
	}
}

// startSite opens a shop with a bench that has measured some key cycles and now goes on
// in real time, and one that has measured and is switched off.
func startSite(t *testing.T) *site {
	t.Helper()
	s := openSite(t)
	first, _ := s.bench("bay-1", 0, 0)
	_, stop := s.bench("salvage", 7, 0)
	waitUntil(t, "two key cycles of the first bench and one of the second", func() bool {
		_, other := get(t, s.url("/history?bench=salvage"))
		_, history := get(t, s.url("/history?bench=bay-1"))
		s.cycles = cyclePage.FindAllString(history, -1)
		return len(s.cycles) >= 2 && cyclePage.MatchString(other)
	})
	first.speed.Store(1)
	stop()
	return s
}
