package judge

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// Worked examples 8 and 9 of the handbook's EXAMPLES.md, from the energy and the charge of a capacitor (textbook
// formulas, W = C·V²/2 and Q = C·V): 4700 µF from 12 to 7 V.
func TestHoldUp(t *testing.T) {
	h := HoldUp{4700e-6, 12, 7}
	if got := fmt.Sprintf("%.5f J, %.2f ms", h.EnergyJ(), 1e3*h.AtPowerS(2.5)); got != "0.22325 J, 89.30 ms" {
		t.Errorf("at 2.5 W: %s, want 0.22325 J, 89.30 ms", got)
	}
	if got := fmt.Sprintf("%.1f", 1e3*h.AtCurrentS(0.25)); got != "94.0" {
		t.Errorf("0.25 A are bridged for %s ms, want 94.0", got)
	}
	for _, h := range []HoldUp{{-1, 12, 7}, {1, 7, 12}, {1, 12, -1}, {math.NaN(), 12, 7}} {
		if v := h.AtPowerS(1); !math.IsNaN(v) {
			t.Errorf("%+v bridges %g s", h, v)
		}
	}
	if v := (HoldUp{1, 12, 7}).AtCurrentS(0); !math.IsNaN(v) {
		t.Errorf("no current is bridged for %g s", v)
	}
}

// A converter is stepped through its capacitor's fall: it never lasts less than was said,
// and a load of constant current lasts longer.
func TestHoldUpOfAConverter(t *testing.T) {
	c := Choice{Slot: FeedSlot{BeforeV: 12.5}}
	w := Want{CurrentA: 0.25, MinimumV: 7, HoldUpF: 4700e-6}
	said := c.holdUpS(&w)
	const dt = 1e-6
	v, stepped := 12.0, 0.0
	for ; v > 7; stepped += dt {
		v -= dt * (0.25 * 12 / v) / 4700e-6
	}
	if math.Abs(stepped-said) > 2e-5 || said > (HoldUp{4700e-6, 12, 7}).AtCurrentS(0.25) {
		t.Errorf("said to bridge %g s, bridges %g s", said, stepped)
	}
	for _, s := range []FeedSlot{{}, {BeforeV: 7.5}, {BeforeV: 7}} {
		c := Choice{Slot: s}
		if got := c.holdUpS(&w); got != 0 {
			t.Errorf("%g V before the start bridge %g s", s.BeforeV, got)
		}
	}
}

// The slot falls to 9.1 V, under 9.6 V for 30 to 40 ms, its troughs are at 10.4 V; an
// accessory that stops at 9.1 V wants 9.6 V before its diode.
func TestHoldUpInAStart(t *testing.T) {
	farad := func(s float64) float64 { // that bridges so long, from 12 V at 1 A
		return s * 12 * 2 / (12*12 - 9.1*9.1)
	}
	for _, x := range []struct {
		name     string
		change   func(*FeedSlot)
		bridgesS float64
		restarts Answer
		code     ReasonCode
	}{
		{"bridges it with all that may be missing", func(*FeedSlot) {}, 0.115, No, RidesStart},
		{"but not with its tolerance", func(*FeedSlot) {}, 0.11, NotKnown, BridgeUndecided},
		{"much too small", func(*FeedSlot) {}, 0.02, Yes, RestartsInStart},
		{"never filled up again between the strokes", func(s *FeedSlot) { s.TroughV = 10 }, 10, NotKnown, BridgeUndecided},
		{"how it goes on is not known", func(s *FeedSlot) { s.TroughV = 0 }, 10, NotKnown, BridgeUndecided},
		{"from what it is charged to is not known", func(s *FeedSlot) { s.BeforeV = 0 }, 10, NotKnown, BridgeUndecided},
		{"off for as long", func(s *FeedSlot) { s.OffInStart, s.OffInStartS = yes(), &Time{S: 1.5, US: 0.001} }, 1.6, NotKnown, BridgeUndecided},
		{"off, and from what it is charged to is not known", func(s *FeedSlot) { s.BeforeV, s.OffInStart, s.OffInStartS = 0, yes(), &Time{S: 1.5} }, 10, NotKnown, BridgeUndecided},
		{"off for longer", func(s *FeedSlot) { s.OffInStart, s.OffInStartS = yes(), &Time{S: 1.5, US: 0.001} }, 1.2, Yes, UnfedInStart},
		{"off for a shorter time", func(s *FeedSlot) { s.OffInStart, s.OffInStartS = yes(), &Time{S: 1.5, US: 0.001} }, 1.9, No, RidesStart},
	} {
		s := good("f01")
		s.BeforeV, s.TroughV = 12.5, 10.4
		s.Lowest.HiddenV = 0
		x.change(&s)
		w := switched()
		w.CurrentA, w.MinimumV, w.HoldUpF = 1, 9.1, farad(x.bridgesS)
		c := ChooseFeed(w, []FeedSlot{s})[0]
		for _, r := range c.Reasons {
			if r.Code == BridgeUndecided && (r.Value == 0 || r.Limit != c.HoldUpS) || r.Code == RestartsInStart && (r.Limit != 9.1 || math.Abs(r.DiodeV-diodeV) > 1e-9) {
				t.Errorf("%s: %+v", x.name, r)
			}
		}
		if c.Restarts != x.restarts || !slices.ContainsFunc(c.Reasons, func(r Reason) bool { return r.Code == x.code }) {
			t.Errorf("%s: restarts %d, bridges %g s, %+v", x.name, c.Restarts, c.HoldUpS, c.Reasons)
		}
	}
}

// Of starts that are stepped through, with a capacitor that has less than stands on it, no
// accessory falls below its minimum that is said to ride through. The starts are those of ISO
// 16750-2, 4.6.3: a dip to 8 V, then a sine of 1 V either way and 2 Hz; about several volts, of
// several lengths, and from several phases on.
func TestNoRowOfDipsIsSaidToBeBridged(t *testing.T) {
	const dt, minimumV, inrushS = 5e-4, 9.4, 0.1
	rides := 0
	for k := range 8 * 4 * 4 {
		centreV, lastsS, phase := 9.5+0.5*float64(k%8), 0.6+0.4*float64(k/8%4), math.Pi/2*float64(k/32)
		feed := func(s float64) float64 {
			switch {
			case s < inrushS:
				return 8
			case s < lastsS:
				return centreV + math.Sin(2*math.Pi*2*s+phase)
			}
			return 12.5
		}
		below := []Below{{9, 0, 0}, {9.6, 0, 0}, {9.9, 0, 0}, {10.5, 0, 0}}
		troughV := 12.5
		for s := 0.0; s < lastsS; s += dt {
			if s >= inrushS {
				troughV = min(troughV, feed(s))
			}
			for i := range below {
				if feed(s) < below[i].LimitV {
					below[i].LeastS, below[i].MostS = below[i].LeastS+dt, below[i].MostS+dt
				}
			}
		}
		for farad := 0.02; farad < 0.5; farad *= 1.1 {
			slot := good("f01")
			slot.Lowest, slot.Below, slot.BeforeV, slot.TroughV = &Dip{V: 8}, below, 12.5, troughV
			w := switched()
			w.CurrentA, w.MinimumV, w.HoldUpF = 1, minimumV, farad
			if ChooseFeed(w, []FeedSlot{slot})[0].Restarts != No {
				continue
			}
			rides++
			v, least := 12.5-diodeV, 12.5
			for s := 0.0; s < lastsS; s += dt {
				v = max(feed(s)-diodeV, v-dt*(1*12/v)/(farad*(1-capacitorTolerance)))
				least = min(least, v)
			}
			if least < minimumV {
				t.Errorf("about %g V for %.1f s, %.0f mF: falls to %.2f V", centreV, lastsS, 1e3*farad, least)
			}
		}
	}
	if rides == 0 {
		t.Error("nothing rides through anything")
	}
	t.Logf("%d ride through", rides)
}
