package main

import (
	"context"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/daemon"
	"keyturn/daemon/link"
	"keyturn/daemon/report"
	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

// The whole way of a current: register-level shunt monitor, scanner, core, documents,
// broker. What arrives agrees with what the vehicle did, and every document with its
// schema; no waveform holds the shunt, and now tells its milliamps.
func TestParkedVehicleOverTheWholeChain(t *testing.T) {
	v, err := protocoltest.New()
	if err != nil {
		t.Fatal(err)
	}
	b, err := startBroker()
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	p, err := newParked(0, b.url)
	if err != nil {
		t.Fatal(err)
	}
	p.options.Health = &daemon.Health{}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var mu sync.Mutex
	var final *protocol.Cycle
	told := 0
	sub, err := link.Subscribe(ctx, b.url, "reader", protocol.BenchFilter(protocol.DefaultRoot, "+"), func(m link.Message) {
		mu.Lock()
		defer mu.Unlock()
		d, err := protocol.Decode(m.Payload)
		if err == nil {
			err = v.Validate(protocol.DefaultRoot, m.Topic, m.Payload)
		}
		if err != nil {
			t.Error(err)
			return
		}
		switch d := d.(type) {
		case *protocol.Now:
			if l := d.Leads[len(d.Leads)-1]; l.MA != nil && l.UMA != nil && l.V == nil {
				told++
			}
		case *protocol.Waveform:
			if len(d.Leads) != len(p.bench.Leads)-1 {
				t.Errorf("a waveform of %d leads", len(d.Leads))
			}
		case *protocol.Cycle:
			if d.Final {
				final = d
				if faults := p.options.Health.Check(); len(faults) > 0 {
					t.Errorf("not healthy: %v", faults)
				}
				stop()
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer sub.Close()
	if err := daemon.Run(ctx, p.options); err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	if final == nil || final.Quiescent == nil || told == 0 {
		t.Fatalf("%d times told now, final %+v", told, final)
	}
	p.compare(t, final)
}

// compare holds a cycle to what the vehicle did.
func (p *parked) compare(t *testing.T, c *protocol.Cycle) {
	t.Helper()
	q := c.Quiescent
	if c.Ended != protocol.EndedWatch || q.Asleep == nil || q.CurrentMA == nil || q.LeftOut != 0 || q.NoCurrent {
		t.Fatalf("ended %s: %+v", c.Ended, q)
	}
	if s := q.Asleep; int64(p.Asleep) < s.NotBeforeNS || int64(p.Asleep) > s.NotAfterNS || s.NotAfterNS-s.NotBeforeNS > int64(100*time.Millisecond) ||
		math.Abs(float64(s.AfterS)-p.Asleep.Sub(p.off).Seconds()) > 0.1 {
		t.Errorf("asleep at %d, told %+v", p.Asleep, s)
	}
	if off := math.Abs(float64(*q.CurrentMA) - 1e3*parkedRestA); off > 2*float64(*q.UMA) || *q.UMA > 1 {
		t.Errorf("%g mA, told %g ± %g", 1e3*parkedRestA, *q.CurrentMA, 2**q.UMA)
	}
	// From key-off as it was seen to the latest sample used.
	want := p.A.Integral(p.off, p.off.Add(time.Duration(float64(q.SeenS)*1e9))) / 3.6
	if math.Abs(want-float64(q.ChargeMAH)) > 2*float64(q.UMAH)+0.1 || q.UnseenS > 0 || q.OverRangeS > 0 {
		t.Errorf("%.2f mAh, told %.2f ± %.2f; unseen %g s", want, q.ChargeMAH, 2*q.UMAH, q.UnseenS)
	}
	if len(q.Wakes) != len(p.Wakes) {
		t.Fatalf("%d wakes, told %d", len(p.Wakes), len(q.Wakes))
	}
	for i, w := range q.Wakes {
		begin, end := p.Wakes[i][0], p.Wakes[i][1]
		if int64(begin) < w.NotBeforeNS || int64(begin) > w.NotAfterNS || (w.Open && adc.Instant(*q.ToNS) > end.Add(15*time.Second)) ||
			!w.Open && math.Abs(float64(w.LastedS)-end.Sub(begin).Seconds()) > 0.1 {
			t.Errorf("woken from %d to %d, told %+v", begin, end, w)
		}
		if with := strings.Join(w.Slots, ","); (i == 0) != (with == "f02") || i > 0 && with != "" {
			t.Errorf("wake %d went with %q", i, with)
		}
	}
	if said := report.Quiescent(c); !strings.Contains(said, "with f02 going live") || strings.Contains(said, "this was watched for") {
		t.Error(said)
	}
}

// The tools for wiring say milliamps of a shunt, and calibrate the other leads.
func TestToolsKnowACurrentLead(t *testing.T) {
	b := parkedBench("tcp://localhost:1883")
	readings := make([]daemon.Reading, len(b.Leads))
	readings[4] = daemon.Reading{V: 0.00042, A: 0.042, UA: 0.00073, NoiseV: 1e-6, Samples: 9}
	text := leadsTable(&b, readings, nil, 110)
	if !strings.Contains(text, "current               42.0 mA      1.5 0.10 mA") || strings.Contains(text, "shunt    current               0.000 V") {
		t.Errorf("\n%s", text)
	}
	got, err := (&calibrate{}).chosen(&b)
	if err != nil || len(got) != 4 {
		t.Errorf("to calibrate: %v, %v", got, err)
	}
	if _, err := (&calibrate{Lead: []string{"shunt"}}).chosen(&b); err == nil || !strings.Contains(err.Error(), "shunt_mohm") {
		t.Errorf("calibrating the shunt: %v", err)
	}
}
