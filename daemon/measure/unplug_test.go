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
