package judge

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// Worked examples 16 and 17 of the handbook's EXAMPLES.md, from the energy and the charge of a capacitor (textbook
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

// The slot falls to 9.1 V, under 9.6 V for 30 to 40 ms, its plateau is at 10.4 V; an
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
		{"but not with its tolerance", func(*FeedSlot) {}, 0.11, NotKnown, StartUndecided},
		{"much too small", func(*FeedSlot) {}, 0.02, Yes, RestartsInStart},
		{"never filled up again between the strokes", func(s *FeedSlot) { s.PlateauV = 10 }, 10, NotKnown, StartUndecided},
		{"how it goes on is not known", func(s *FeedSlot) { s.PlateauV = 0 }, 10, NotKnown, StartUndecided},
		{"from what it is charged to is not known", func(s *FeedSlot) { s.BeforeV = 0 }, 10, NotKnown, StartUndecided},
		{"off for as long", func(s *FeedSlot) { s.OffInStart, s.OffInStartS = yes(), &Time{S: 1.5, US: 0.001} }, 1.6, NotKnown, BridgeUndecided},
		{"off, and from what it is charged to is not known", func(s *FeedSlot) { s.BeforeV, s.OffInStart, s.OffInStartS = 0, yes(), &Time{S: 1.5} }, 10, NotKnown, BridgeUndecided},
		{"off for longer", func(s *FeedSlot) { s.OffInStart, s.OffInStartS = yes(), &Time{S: 1.5, US: 0.001} }, 1.2, Yes, UnfedInStart},
		{"off for a shorter time", func(s *FeedSlot) { s.OffInStart, s.OffInStartS = yes(), &Time{S: 1.5, US: 0.001} }, 1.9, No, RidesStart},
	} {
		s := good("f01")
		s.BeforeV, s.PlateauV = 12.5, 10.4
		s.Lowest.HiddenV = 0
		x.change(&s)
		w := switched()
		w.CurrentA, w.MinimumV, w.HoldUpF = 1, 9.1, farad(x.bridgesS)
		c := ChooseFeed(w, []FeedSlot{s})[0]
		if c.Restarts != x.restarts || !slices.ContainsFunc(c.Reasons, func(r Reason) bool { return r.Code == x.code }) {
			t.Errorf("%s: restarts %d, bridges %g s, %+v", x.name, c.Restarts, c.HoldUpS, c.Reasons)
		}
	}
}
