package measure_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/daemon/measure"
)

// Whatever befalls the bus and its chips, slots that stand still do not move: the
// engine may find a lead unknown, but no lead goes live or dead, no start is seen,
// and once all is over every lead is what it was.

// steady is a bench of a battery sense lead and 15 slots, every third dead.
func steady(t testing.TB, seed uint64, host adctest.BusOptions) *bench {
	t.Helper()
	p, waves := sixteen(1400*time.Microsecond, 0.001, func() *vehicle.Wave {
		return vehicle.NewPolyline([]vehicle.Point{{At: 0, V: 12.6}}, 1.4e6)
	})
	for i := 2; i < len(waves); i += 3 {
		waves[i] = adctest.Constant(0)
	}
	return newBenchOn(t, seed, host, 0, p, waves, func(adc.Input) {})
}

// stoodStill checks a bench of steady leads once all is over, and returns how
// many faults it told.
func (b *bench) stoodStill(t *testing.T, what string, at int) (told int) {
	t.Helper()
	var state [16]measure.State
	for _, e := range append(b.events, b.engine.Flush()...) {
		switch e := e.(type) {
		case *measure.StateChanged:
			state[e.Lead] = e.State
		case *measure.Faulted:
			told++
		case *measure.Transition, *measure.TransitionWithdrawn, *measure.Crank, *measure.KeyMoved:
			t.Errorf("%s %d: %+v", what, at, e)
		}
	}
	for lead, s := range state {
		if want := [...]measure.State{measure.Live, measure.Live, measure.Dead}[lead%3]; s != want {
			t.Errorf("%s %d: lead %d ends %s, want %s", what, at, lead, s, want)
		}
	}
	return told
}

func TestFaultAtEveryTransactionMovesNothing(t *testing.T) {
	for _, x := range []struct {
		name  string
		fault adctest.Fault
		lost  bool // the pointer's NAK
		chip  func(*adctest.ADS1x15, adc.Instant)
	}{
		{name: "NAK", fault: adctest.NAK},
		{name: "late NAK", fault: adctest.LateNAK},
		{name: "stuck bus", fault: adctest.StuckBus},
		{name: "pointer NAK", fault: adctest.PointerNAK},
		{name: "pointer NAK lost", fault: adctest.PointerNAK, lost: true},
		{name: "brown-out", chip: func(c *adctest.ADS1x15, at adc.Instant) { c.BrownOut(at) }},
		{name: "unplugged and back", chip: func(c *adctest.ADS1x15, at adc.Instant) {
			c.Unplug(at)
			c.Plug(at.Add(130 * time.Millisecond))
		}},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			for n := 0; n < chaosTransactions; n += chaosStride {
				host := knownHost
				host.LosesPointerNAK = x.lost
				b := steady(t, 1, host)
				over := adc.Instant(0)
				b.bus.Inject = func(i int, at adc.Instant, addr uint16) adctest.Fault {
					if i != n {
						return adctest.NoFault
					}
					over = at.Add(350 * time.Millisecond)
					if x.chip != nil {
						x.chip(b.chips[addr-0x48], at.Add(time.Duration(n*7919%400)*time.Microsecond))
						over = at.Add(480 * time.Millisecond)
					} else if x.fault == adctest.StuckBus {
						over = over.Add(adctest.StuckFor)
					}
					return x.fault
				}
				for over == 0 || b.bus.Now() < over {
					b.scanner.Step()
				}
				b.merge.Flush()
				b.stoodStill(t, "transaction", n)
			}
		})
	}
}

// Storms on the bus of a bench that has been running for a while.
func TestStormsMoveNothing(t *testing.T) {
	told, most := 0, 0
	for seed := range uint64(chaosStorms) {
		rng := rand.New(rand.NewPCG(seed, 0x570))
		b := steady(t, seed, adctest.BusOptions{LosesPointerNAK: seed%3 == 0, OverheadMin: 30 * time.Microsecond, OverheadMax: 130 * time.Microsecond})
		b.runUntil(adc.Instant(300 * time.Millisecond))
		b.runUntil(b.bus.Storm(rng, b.chips))
		b.runUntil(b.bus.Now().Add(400 * time.Millisecond))
		b.merge.Flush()
		n := b.stoodStill(t, "storm", int(seed))
		told += n
		most = max(most, n)
	}
	t.Logf("%d storms, %d faults told, at most %d in one", chaosStorms, told, most)
}
