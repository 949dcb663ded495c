package measure_test

import (
	"fmt"
	"slices"
	"testing"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/daemon/measure"
)

// drive runs one cycle of a vehicle and returns the final cycle event.
func drive(t testing.TB, v *vehicle.Vehicle, seed uint64) *measure.Cycle {
	t.Helper()
	var waves []adctest.Wave
	for i := range v.Leads {
		waves = append(waves, v.Wave(i))
	}
	b := newBench(t, seed, 0, paramsOf(v), waves)
	seen := 0
	for end := v.Ends(0); b.bus.Now() < end; {
		b.scanner.Step()
		for ; seen < len(b.events); seen++ {
			if c, ok := b.events[seen].(*measure.Cycle); ok && c.Final {
				return c
			}
		}
	}
	return nil
}

func TestVehicles(t *testing.T) {
	problems := 0 // over all seeds
	for seed := uint64(1); seed <= 200; seed++ {
		v := vehicle.New(seed, vehicle.Options{})
		c := drive(t, v, seed)
		if c == nil {
			t.Errorf("seed %d: no final cycle", seed)
			continue
		}
		for _, p := range compare(v, c) {
			problems++
			if problems < 60 {
				t.Errorf("seed %d: %s", seed, p)
			}
		}
	}
	t.Logf("%d problems", problems)
}

// compare holds a cycle against the truth.
func compare(v *vehicle.Vehicle, c *measure.Cycle) (problems []string) {
	bad := func(format string, args ...any) { problems = append(problems, fmt.Sprintf(format, args...)) }
	truth := v.Truth(0)
	inStart := func(t adc.Instant) bool {
		for i, k := range c.Key {
			if k.Position == adc.Start && i+1 < len(c.Key) && t > k.At.Add(-50e6) && t < c.Key[i+1].At.Add(300e6) {
				return true
			}
		}
		return false
	}
	for _, s := range c.Slots {
		slot := v.Slots[s.Slot]
		for _, b := range truth.Behaviours {
			if b.Slot != slot.Name {
				continue
			}
			got := s.Behaviour.String()
			possible := slices.ContainsFunc(s.Possible, func(x measure.Behaviour) bool { return x.String() == b.Behaviour })
			if b.Decidable && got != b.Behaviour || !b.Decidable && !(got == "not-proven" && possible) {
				bad("slot %s is %s %v, truly %s (decidable %v) key %v", slot.Name, got, s.Possible, b.Behaviour, b.Decidable, keyText(c))
			}
		}
		for _, l := range s.Leads {
			var want []vehicle.Transition
			for _, x := range truth.Transitions {
				if x.Lead == v.Leads[l.Lead].Name {
					want = append(want, x)
				}
			}
			problems = append(problems, matchTransitions(v.Leads[l.Lead].Name, want, l.Transitions, inStart)...)
		}
	}
	return problems
}

func keyText(c *measure.Cycle) (s []string) {
	for _, k := range c.Key {
		s = append(s, fmt.Sprintf("%s@%.3f(%s)", k.Position, k.At.Seconds(), k.Source))
	}
	return s
}

// matchTransitions pairs found transitions with true ones in order.
func matchTransitions(lead string, want []vehicle.Transition, got []measure.Transition, inStart func(adc.Instant) bool) (problems []string) {
	used := make([]bool, len(got))
	for _, w := range want {
		found := false
		for i, g := range got {
			if used[i] || g.State.String() != w.Event {
				continue
			}
			near := g.NotBefore.Add(-30e6) <= w.TNS && w.TNS <= g.NotAfter.Add(30e6)
			inside := g.NotBefore <= w.TNS && w.TNS <= g.NotAfter
			if (w.Bracket && near) || (!w.Bracket && abs(float64(g.At-w.TNS)) < 100e6) {
				used[i], found = true, true
				if w.Bracket && !inside {
					problems = append(problems, fmt.Sprintf("%s %s at %.6f (%s): bracket [%.6f, %.6f]", lead, w.Event, w.TNS.Seconds(), w.Why, g.NotBefore.Seconds(), g.NotAfter.Seconds()))
				}
				width := g.NotAfter.Sub(g.NotBefore)
				if inStart(g.At) {
					break
				}
				if limit := adc.Instant(8.2e6+1.3e6) + w.LastNS - w.FirstNS; (w.Why == "clean" || w.Why == "bounce") && w.Bracket && adc.Instant(width) > limit {
					problems = append(problems, fmt.Sprintf("%s %s at %.6f (%s): bracket %v wide", lead, w.Event, w.TNS.Seconds(), w.Why, width))
				}
				break
			}
		}
		if !found && w.Required {
			problems = append(problems, fmt.Sprintf("%s %s at %.6f (%s) missed; found %s", lead, w.Event, w.TNS.Seconds(), w.Why, shortList(got)))
		}
	}
	for i, g := range got {
		if !used[i] {
			problems = append(problems, fmt.Sprintf("%s false %s at %.6f [%.6f, %.6f] seen %v; true %v", lead, g.State, g.At.Seconds(), g.NotBefore.Seconds(), g.NotAfter.Seconds(), g.Seen.Words(), shortTruth(want)))
		}
	}
	return problems
}

func shortList(ts []measure.Transition) (s []string) {
	for _, t := range ts {
		s = append(s, fmt.Sprintf("%s@%.4f", t.State, t.At.Seconds()))
	}
	return s
}

func shortTruth(ts []vehicle.Transition) (s []string) {
	for _, t := range ts {
		s = append(s, fmt.Sprintf("%s@%.4f(%s)", t.Event, t.TNS.Seconds(), t.Why))
	}
	return s
}

func abs(x float64) float64 { return max(x, -x) }
