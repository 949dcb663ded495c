package adc_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
)

// A window's middle is where its stamp says, within what the stamp says of
// itself: on a host whose calls are known to the microsecond, on one that nobody
// knows, and while the oscillators drift.
func TestStampsAreAsGoodAsTheySay(t *testing.T) {
	for _, c := range []struct {
		name  string
		bus   func(rng *rand.Rand) adctest.BusOptions
		drift float64 // of the oscillator, per second
		most  time.Duration
	}{
		{"known host", func(*rand.Rand) adctest.BusOptions {
			return adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}
		}, 0, 2 * time.Microsecond},
		{"drifting", func(*rand.Rand) adctest.BusOptions {
			return adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}
		}, 2e-4, 3 * time.Microsecond},
		{"unknown host", func(rng *rand.Rand) adctest.BusOptions {
			overhead := time.Duration(20+rng.IntN(130)) * time.Microsecond
			return adctest.BusOptions{OverheadMin: overhead, OverheadMax: overhead, OverheadBefore: 0.02 + 0.96*rng.Float64()}
		}, 0, 40 * time.Microsecond},
		{"jittering host", func(*rand.Rand) adctest.BusOptions {
			return adctest.BusOptions{OverheadMin: 20 * time.Microsecond, OverheadMax: 120 * time.Microsecond}
		}, 0, 35 * time.Microsecond},
	} {
		var errs []time.Duration
		covered, n := 0, 0
		for seed := range uint64(20) {
			rng := rand.New(rand.NewPCG(seed, 0x57a))
			bus := c.bus(rng)
			bus.Seed = seed
			off := [4]float64{}
			for i := range off {
				off[i] = 0.08 * (2*rng.Float64() - 1)
			}
			r := newRig(t, rigOptions{chips: 4, bus: bus, oscillator: func(i int) func(adc.Instant) float64 {
				return func(at adc.Instant) float64 { return off[i] + c.drift*at.Seconds() }
			}})
			r.got = func(in adc.Input) {
				if s := &in.Sample; in.Kind == adc.SampleInput {
					x := r.truth[s.Lead/4]
					d := (x.From + (x.To-x.From)/2).Sub(s.From + (s.To-s.From)/2).Abs()
					errs = append(errs, d)
					n++
					if d <= 2*s.StampU {
						covered++
					}
				}
			}
			r.runUntil(adc.Instant(20 * time.Second))
		}
		slices.Sort(errs)
		share := float64(covered) / float64(n)
		median := errs[len(errs)/2]
		t.Logf("%s: median %v, 99 %% %v, within twice the uncertainty %.1f %%", c.name, median, errs[len(errs)*99/100], 100*share)
		if share < 0.95 || median > c.most || math.IsNaN(share) {
			t.Errorf("%s: median %v, want at most %v; %.3f within twice the uncertainty, want 0.95", c.name, median, c.most, share)
		}
	}
}

// A chip in crank mode gives its lead at nearly its full rate, the right lead's
// value with a window that holds the conversion, beside chips that scan; and it
// comes back after a brown-out.
func TestCrankModeBound(t *testing.T) {
	for seed := range uint64(10) {
		r := newRig(t, rigOptions{chips: 3, continuous: 1, bus: adctest.BusOptions{Seed: seed, OverheadMin: 40 * time.Microsecond, OverheadMax: 60 * time.Microsecond},
			oscillator: func(i int) func(adc.Instant) float64 {
				return func(adc.Instant) float64 { return 0.08 - 0.016*float64((seed+uint64(i))%11) }
			}})
		brown := adc.Instant(3 * time.Second)
		r.chips[0].BrownOut(brown)
		n, covered, others := 0, 0, 0
		var lastTo, blindAt, backAt adc.Instant
		r.got = func(in adc.Input) {
			if in.Kind == adc.BlindInput && in.Blind.Lead == 0 && in.At > brown {
				blindAt = in.At
				if in.Blind.Since > brown {
					t.Errorf("seed %d: blind since %d, after the brown-out", seed, in.Blind.Since)
				}
			}
			if in.Kind != adc.SampleInput {
				return
			}
			s := &in.Sample
			if s.Lead >= 4 {
				others++
				return
			}
			if s.Lead != 0 || s.From < lastTo {
				t.Fatalf("seed %d: lead %d from %d, the one before ended at %d", seed, s.Lead, s.From, lastTo)
			}
			lastTo = s.To
			if in.At > brown.Add(-2*time.Millisecond) && blindAt == 0 {
				return // perhaps void: a Blind takes it back
			}
			if blindAt != 0 && backAt == 0 {
				backAt = in.At
			}
			x := r.truth[0]
			n++
			if x.Input != 0 || x.Code != s.Code {
				t.Fatalf("seed %d: got input %d", seed, x.Input)
			}
			d := (x.From + (x.To-x.From)/2).Sub(s.From + (s.To-s.From)/2).Abs()
			if d > s.StampErr {
				t.Fatalf("seed %d: window's middle off by %v, at most %v", seed, d, s.StampErr)
			}
			if d <= 2*s.StampU {
				covered++
			}
		}
		r.runUntil(adc.Instant(6 * time.Second))
		if rate := float64(n) / 6; rate < 700 || covered < n*95/100 || others < 2*6*500 || blindAt == 0 || backAt.Sub(blindAt) > 300*time.Millisecond {
			t.Errorf("seed %d: %.0f a second, %d of %d covered, %d of the others; blind at %d, back at %d", seed, rate, covered, n, others, blindAt, backAt)
		}
	}
}
