package judge

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// use is how far a verdict lets a slot be used: what failed and what is not proven are
// both not sold, so that a fault which is no longer seen makes nothing better.
func use(o Outcome) Outcome { return max(o, Unproven) }

// removals each take one kind of evidence out of every round of a slot.
func removals() map[string]func(*Round) {
	return map[string]func(*Round){
		"behaviour":    func(r *Round) { r.Behaviour, r.Possible = NotProven, nil },
		"on after":     func(r *Round) { r.OnAfter = nil },
		"stays on":     func(r *Round) { r.StaysOn = nil },
		"off in start": func(r *Round) { r.OffInStart = nil },
		"lowest":       func(r *Round) { r.Lowest = nil },
		"battery":      func(r *Round) { r.Battery = nil },
		"source":       func(r *Round) { r.Source = nil },
		"path":         func(r *Round) { r.Source = ghostOnly(r.Source) },
		"fuse":         func(r *Round) { r.Fuse = "" },
		"leads":        func(r *Round) { r.Leads = nil },
		"one lead":     func(r *Round) { r.Leads = r.Leads[:min(1, len(r.Leads))] },
		"states": func(r *Round) {
			for i := range r.Leads {
				r.Leads[i].LiveIn, r.Leads[i].DeadIn = nil, nil
			}
		},
		"live": func(r *Round) {
			for i := range r.Leads {
				r.Leads[i].LiveIn = nil
			}
		},
		"start of the sides": func(r *Round) {
			for i := range r.Leads {
				l := &r.Leads[i]
				l.LiveIn = slices.DeleteFunc(slices.Clone(l.LiveIn), func(p string) bool { return p == start })
			}
		},
		"proofs": func(r *Round) {
			for i := range r.Leads {
				r.Leads[i].Proven = false
			}
		},
	}
}

func ghostOnly(s *Source) *Source {
	if s == nil {
		return nil
	}
	return &Source{Ghost: s.Ghost}
}

// faultyBoxes are boxes with up to five faults.
func faultyBoxes(seed uint64, n int) (out [][]BoxSlot, rng *rand.Rand) {
	rng = rand.New(rand.NewPCG(seed, 2))
	for range n {
		m := newModelBox(rng)
		for range rng.IntN(6) {
			m.plant(everyFault()[rng.IntN(len(everyFault()))])
		}
		out = append(out, m.inputs())
	}
	return out, rng
}

// Removing evidence never turns a verdict better, whatever is removed first.
func TestRemovedEvidenceImprovesNothing(t *testing.T) {
	var names []string
	for name := range removals() {
		names = append(names, name)
	}
	slices.Sort(names)
	boxes, rng := faultyBoxes(3, 40)
	worse := 0
	for n, slots := range boxes {
		before := JudgeBox(DefaultLimits(), slots)
		for range 20 {
			i, name := rng.IntN(len(slots)), names[rng.IntN(len(names))]
			for k := range slots[i].Rounds {
				removals()[name](&slots[i].Rounds[k])
			}
			after := JudgeBox(DefaultLimits(), slots)
			for k := range after.Slots {
				if use(after.Slots[k].Outcome) > use(before.Slots[k].Outcome) {
					t.Fatalf("box %d: without the %s of %s, %s is better:\n%+v\nbefore\n%+v", n, name, slots[i].Name, slots[k].Name, after.Slots[k], before.Slots[k])
				}
				if after.Slots[k].Outcome < before.Slots[k].Outcome {
					worse++
				}
			}
			before = after
		}
	}
	if worse < 100 {
		t.Errorf("only %d verdicts were changed", worse)
	}
}

// Growing uncertainty never turns a fail into a pass, or a pass into a fail.
func TestGrowingUncertaintyNeverFlips(t *testing.T) {
	boxes, rng := faultyBoxes(4, 100)
	changed := 0
	for n, slots := range boxes {
		before := JudgeBox(DefaultLimits(), slots)
		grow := 1 + 20*rng.Float64()
		for i := range slots {
			for k := range slots[i].Rounds {
				slots[i].Rounds[k].grow(grow)
			}
		}
		after := JudgeBox(DefaultLimits(), slots)
		for i := range after.Slots {
			a, b := after.Slots[i].Outcome, before.Slots[i].Outcome
			if a == Fail && b == Pass || a == Pass && b != Pass || a == Fail && b != Fail {
				t.Fatalf("box %d, %g times the uncertainty:\n%+v\nbefore\n%+v", n, grow, after.Slots[i], before.Slots[i])
			}
			if a != b {
				changed++
			}
		}
	}
	if changed < 100 {
		t.Errorf("only %d verdicts were changed", changed)
	}
}

// grow makes every uncertainty of a round larger.
func (r *Round) grow(f float64) {
	for _, t := range []*Time{r.OnAfter, r.StaysOn} {
		if t != nil {
			t.US *= f
		}
	}
	for _, d := range []*Dip{r.Lowest, r.Battery} {
		if d != nil {
			d.UV *= f
		}
	}
	if r.Source != nil && r.Source.Path != nil {
		r.Source.Path.UMOhm *= f
	}
}
