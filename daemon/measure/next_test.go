package measure

import (
	"testing"
	"time"

	"keyturn/adc"
)

// A cycle that begins while the one before is still watched has part of the time with the
// key off: what is always live is permanent in both, and a relay that moves a moment before
// the key is known to have moved belongs to the second.
func TestCycleThatBeginsInTheWatch(t *testing.T) {
	const ms = time.Millisecond
	steps := func(early time.Duration) wire {
		return wire{{0, 0}, {1000*ms - early, 12.5}, {4000 * ms, 0}, {6000*ms - early, 12.5}, {9000 * ms, 0}}
	}
	s := newSynthetic(5, wire{{0, 12.6}}, steps(0), wire{{0, 12.5}}, steps(12*ms))
	s.params.WatchFor = 3 * time.Second
	s.params.Key.On = 1
	var final []*Cycle
	for _, e := range run(s.params, s.inputs(14*time.Second)) {
		if c, ok := e.(*Cycle); ok && c.Final {
			final = append(final, c)
		}
	}
	if len(final) != 2 || final[0].Ended != NextCycle || final[1].Key[0].Position != adc.On {
		t.Fatalf("%d cycles are final: %+v", len(final), final)
	}
	for n, c := range final {
		if got := c.Slots[1].Behaviour; got != Permanent {
			t.Errorf("cycle %d: always live is %v", n+1, got)
		}
		if got := c.Slots[2].Leads[0]; got.Before != Dead || len(got.Transitions) != 2 {
			t.Errorf("cycle %d: %v, then %d transitions", n+1, got.Before, len(got.Transitions))
		}
	}
}
