package measure_test

import (
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/daemon/measure"
)

// A chip unplugged while the engine cranks: its leads are unknown until it is
// back, never dead; the others go on as if nothing had happened.
func TestChipUnpluggedWhileCranking(t *testing.T) {
	profile := startingProfiles[0]
	const onset = 1.5
	for seed := range uint64(10) {
		points := profile.points(onset)
		p, waves := sixteen(1400*time.Microsecond, 0.001, func() *vehicle.Wave { return vehicle.NewPolyline(points, 1.4e6) })
		waves[6] = adctest.Constant(0) // a slot without volts on the chip that goes
		b := newBench(t, seed, 0, p, waves)
		off, on := adc.Instant(1.9e9).Add(time.Duration(seed)*7*time.Millisecond), adc.Instant(3.5e9)
		b.chips[1].Unplug(off)
		b.chips[1].Plug(on)
		b.runUntil(adc.Instant(5 * time.Second))
		state := map[int]measure.State{}
		for _, e := range b.events {
			switch e := e.(type) {
			case *measure.Transition:
				t.Errorf("seed %d: false transition %+v", seed, e)
			case *measure.StateChanged:
				state[e.Lead] = e.State
				lost := e.Lead/4 == 1
				if e.At > off && e.At < on && (!lost || e.State != measure.Unknown || e.Reason == "") {
					t.Errorf("seed %d: lead %d became %s (%s) at %.3f s", seed, e.Lead, e.State, e.Reason, e.At.Seconds())
				}
				if lost && e.State == measure.Unknown && e.At.Sub(off) > 200*time.Millisecond && e.At < on {
					t.Errorf("seed %d: lead %d unknown only after %v", seed, e.Lead, e.At.Sub(off))
				}
			}
		}
		for lead := range p.Leads {
			want := measure.Live
			if lead == 6 {
				want = measure.Dead
			}
			if state[lead] != want {
				t.Errorf("seed %d: lead %d ends %s, want %s", seed, lead, state[lead], want)
			}
		}
		for lead, cranks := range cranksOf(b.events) { // each is checked by itself
			if measured := cranks[0].NotMeasured == ""; measured == (lead/4 == 1) {
				t.Errorf("seed %d: lead %d: start measured %t (%s)", seed, lead, measured, cranks[0].NotMeasured)
			}
		}
	}
}

// A lead that misses more than two scans of a start has no figures of it, and
// says so; the leads of the other chips have theirs. It does not matter whether
// it went blind before the start, in it, or was never told to be: a host that
// stood still misses samples of them all.
func TestBlindInAStartIsNotMeasured(t *testing.T) {
	profile := startingProfiles[0]
	const onset, ends = adc.Instant(1.5e9), adc.Instant(2.6e9)
	const scan = 6400 * time.Microsecond
	for _, c := range []struct {
		name     string
		from     adc.Instant
		lasts    time.Duration
		whole    bool // the host stands still
		measured bool
	}{
		{"one transfer", onset.Add(300 * time.Millisecond), 300 * time.Microsecond, false, true},
		{"before the start", onset.Add(-200 * time.Millisecond), 100 * time.Millisecond, false, true},
		{"into the start", onset.Add(-50 * time.Millisecond), 150 * time.Millisecond, false, false},
		{"over the fall", onset.Add(-20 * time.Millisecond), 45 * time.Millisecond, false, false},
		{"after the fall", onset.Add(10 * time.Millisecond), 30 * time.Millisecond, false, false},
		{"four scans", onset.Add(300 * time.Millisecond), 4 * scan, false, false},
		{"half of it", onset.Add(300 * time.Millisecond), 500 * time.Millisecond, false, false},
		{"all of it", onset.Add(-100 * time.Millisecond), 1900 * time.Millisecond, false, false},
		{"the host, one scan", onset.Add(300 * time.Millisecond), scan, true, true},
		{"the host, five scans", onset.Add(300 * time.Millisecond), 5 * scan, true, false},
	} {
		for seed := range uint64(3 * isoSeeds) {
			points := profile.points(onset.Seconds())
			p, waves := sixteen(1400*time.Microsecond, 0.001, func() *vehicle.Wave { return vehicle.NewPolyline(points, 1.4e6) })
			b := newBench(t, seed, 0, p, waves)
			from := c.from.Add(time.Duration(seed) * 811 * time.Microsecond)
			to := from.Add(c.lasts)
			if c.whole {
				b.runUntil(from)
				b.bus.SleepUntil(to)
			} else {
				b.bus.Inject = func(_ int, at adc.Instant, addr uint16) adctest.Fault {
					if addr == 0x49 && at >= from && at < to {
						return adctest.NAK
					}
					return adctest.NoFault
				}
			}
			b.runUntil(ends.Add(2500 * time.Millisecond))
			b.merge.Flush()
			got := cranksOf(append(b.events, b.engine.Flush()...))
			for lead := range p.Leads {
				want := c.measured || !c.whole && lead/4 != 1
				if len(got[lead]) != 1 {
					t.Errorf("%s, seed %d: lead %d: %d starts", c.name, seed, lead, len(got[lead]))
				} else if k := got[lead][0]; (k.NotMeasured == "") != want || k.BeginsNotBefore > onset.Add(5*time.Millisecond) || k.BeginsNotAfter < onset {
					t.Errorf("%s, seed %d: lead %d: measured %t (%s), begins in [%.4f, %.4f]", c.name, seed, lead, k.NotMeasured == "",
						k.NotMeasured, k.BeginsNotBefore.Seconds(), k.BeginsNotAfter.Seconds())
				}
			}
		}
	}
}
