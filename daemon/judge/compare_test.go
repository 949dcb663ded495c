package judge

import (
	"math/rand/v2"
	"slices"
	"testing"
)

func yes() *bool { x := true; return &x }
func no() *bool  { x := false; return &x }

// cycle is one with every position and one slot.
func cycle(s Slot) *Cycle {
	s.Name = "f01"
	return &Cycle{Positions: []string{"off", "accessory", "on", "start", "running"}, Slots: []Slot{s}}
}

func TestCompareOneSlot(t *testing.T) {
	ignition := func(f func(*Slot)) Slot {
		s := Slot{Behaviour: "ignition", OnAfter: &Time{0.010, 0.001, false}, StaysOn: &Time{0.012, 0.001, false}, OffInStart: no(), Lowest: &Dip{V: 9.8, UV: 0.05}}
		if f != nil {
			f(&s)
		}
		return s
	}
	dead := Slot{Behaviour: NotProven, Possible: []Behaviour{NoVolts, "start-only", "engine-running"}}
	for _, x := range []struct {
		name          string
		before, after Slot
		want          []Finding
	}{
		{"the same", ignition(nil), ignition(nil), nil},
		{"another behaviour", ignition(nil), Slot{Behaviour: "accessory"}, []Finding{{What: Does, Certain: true}}},
		{"permanent, then nothing", Slot{Behaviour: Permanent}, Slot{Behaviour: NoVolts}, []Finding{{What: Does, Certain: true}}},
		{"a bad contact", ignition(nil), Slot{Behaviour: Intermittent}, []Finding{{What: Does}}},
		{"not proven leaves it open", ignition(nil), Slot{Behaviour: NotProven, Possible: []Behaviour{"ignition", "accessory"}, OnAfter: &Time{0.010, 0.001, false}, StaysOn: &Time{0.012, 0.001, false}, Lowest: &Dip{V: 9.8}},
			[]Finding{{What: Does, Why: Undecided}}},
		{"not proven, and yet not that", ignition(nil), dead, []Finding{{What: Does, Certain: true}}},
		{"neither proven", dead, dead, []Finding{{What: Does, Why: Undecided}}},
		{"not proven, nothing possible said", ignition(nil), Slot{Behaviour: NotProven}, []Finding{{What: Does, Why: Undecided}}},
		{"its switch was not worked", Slot{Behaviour: SwitchOperated}, Slot{Behaviour: NoVolts}, []Finding{{What: Does, Why: SwitchUnused}}},
		{"its switch was not worked, and no start", Slot{Behaviour: SwitchOperated}, dead, []Finding{{What: Does, Why: Undecided}}},
		{"a switch became the key", Slot{Behaviour: SwitchOperated}, ignition(nil), []Finding{{What: Does}}},
		{"watched until it slept, then less", Slot{Behaviour: Awake, StaysOn: &Time{240, 0.01, false}}, Slot{Behaviour: Permanent, WatchedOffS: 60}, []Finding{{What: Does, Why: WatchedLess}}},
		{"no longer sleeps", Slot{Behaviour: Awake, StaysOn: &Time{240, 0.01, false}}, Slot{Behaviour: Permanent, WatchedOffS: 900}, []Finding{{What: Does}}},
		{"falls asleep later", Slot{Behaviour: Awake, StaysOn: &Time{240, 0.01, false}}, Slot{Behaviour: Awake, StaysOn: &Time{600, 0.01, false}}, []Finding{{What: StaysOn}}},
		{"stays on longer", ignition(nil), ignition(func(s *Slot) { s.StaysOn = &Time{1, 0.001, false} }), []Finding{{What: StaysOn, Certain: true}}},
		{"a timer's scatter", ignition(func(s *Slot) { s.StaysOn = &Time{240, 0.01, false} }), ignition(func(s *Slot) { s.StaysOn = &Time{263, 0.01, false} }), nil},
		{"more than a timer's scatter", ignition(func(s *Slot) { s.StaysOn = &Time{240, 0.01, false} }), ignition(func(s *Slot) { s.StaysOn = &Time{270, 0.01, false} }), []Finding{{What: StaysOn, Certain: true}}},
		{"beyond k = 2, not k = 3", ignition(nil), ignition(func(s *Slot) { s.StaysOn = &Time{0.772, 0.1, false} }), []Finding{{What: StaysOn}}},
		{"still on, as far as watched", ignition(func(s *Slot) { s.StaysOn = &Time{60, 0.01, true} }), ignition(func(s *Slot) { s.StaysOn = &Time{300, 0.01, true} }), nil},
		{"still on, but watched less", ignition(func(s *Slot) { s.StaysOn = &Time{240, 0.01, false} }), ignition(func(s *Slot) { s.StaysOn = &Time{60, 0.01, true} }), []Finding{{What: StaysOn, Why: WatchedLess}}},
		{"still on, and watched for more", ignition(func(s *Slot) { s.StaysOn = &Time{240, 0.01, false} }), ignition(func(s *Slot) { s.StaysOn = &Time{600, 0.01, true} }), []Finding{{What: StaysOn, Certain: true}}},
		{"key-off not seen", ignition(nil), ignition(func(s *Slot) { s.StaysOn = nil }), []Finding{{What: StaysOn, Why: NotMeasured}}},
		{"a hand's slowness", ignition(nil), ignition(func(s *Slot) { s.OnAfter = &Time{0.105, 0.001, false} }), nil},
		{"a moment later than a hand", ignition(nil), ignition(func(s *Slot) { s.OnAfter = &Time{0.120, 0.001, false} }), []Finding{{What: OnAfter, Certain: true}}},
		{"a wiper on its way home", ignition(nil), ignition(func(s *Slot) { s.StaysOn = &Time{0.505, 0.001, false} }), nil},
		{"comes late", ignition(nil), ignition(func(s *Slot) { s.OnAfter = &Time{0.3, 0.001, false} }), []Finding{{What: OnAfter, Certain: true}}},
		{"a relay lets go", ignition(nil), ignition(func(s *Slot) { s.OffInStart, s.Lowest = yes(), nil }), []Finding{{What: OffInStart}}},
		{"falls lower, battery not known", ignition(nil), ignition(func(s *Slot) { s.Lowest = &Dip{V: 8.5, UV: 0.05} }), []Finding{{What: Lowest}}},
		{"as low as hidden dips allow", ignition(func(s *Slot) { s.Lowest = &Dip{V: 9.8, UV: 0.05, HiddenV: 1} }), ignition(func(s *Slot) { s.Lowest = &Dip{V: 8.5, UV: 0.05} }), nil},
		{"at or below", ignition(func(s *Slot) { s.Lowest = &Dip{V: 9.8, UV: 0.05, AtOrBelow: true} }), ignition(func(s *Slot) { s.Lowest = &Dip{V: 6.5, UV: 0.05} }), nil},
		{"sag not measured", ignition(nil), ignition(func(s *Slot) { s.Lowest = nil }), []Finding{{What: Lowest, Why: NotMeasured}}},
	} {
		got := Compare(cycle(x.before), cycle(x.after))
		for i := range x.want {
			x.want[i].Slot = "f01"
		}
		// What is not proven may lack the figures, too: of it the behaviour only is looked at.
		if x.after.Behaviour == NotProven {
			got.Findings = got.Findings[:min(1, len(got.Findings))]
		}
		if !slices.Equal(got.Findings, x.want) {
			t.Errorf("%s: %+v, want %+v", x.name, got.Findings, x.want)
		}
		if want := got.Compared > 0 && !slices.ContainsFunc(x.want, func(f Finding) bool { return f.Why == 0 }); got.AsBefore() != want {
			t.Errorf("%s: as before is %t", x.name, got.AsBefore())
		}
	}
}

// A battery that is lower today is one difference, not one of every slot.
func TestSlotsAreHeldToTheirBattery(t *testing.T) {
	before := cycle(Slot{Behaviour: Permanent, Lowest: &Dip{V: 9.9, UV: 0.05}})
	before.Battery = &Dip{V: 10.2, UV: 0.05}
	after := cycle(Slot{Behaviour: Permanent, Lowest: &Dip{V: 8.6, UV: 0.05}})
	after.Battery = &Dip{V: 9.0, UV: 0.05}
	got := Compare(before, after)
	if want := []Finding{{What: BatteryLowest, Certain: true}}; !slices.Equal(got.Findings, want) {
		t.Errorf("%+v, want %+v", got.Findings, want)
	}
	after.Slots[0].Lowest.V = 7.5
	got = Compare(before, after)
	if want := []Finding{{What: BatteryLowest, Certain: true}, {Slot: "f01", What: Lowest, Certain: true}}; !slices.Equal(got.Findings, want) {
		t.Errorf("%+v, want %+v", got.Findings, want)
	}
}

// The slack of voltages, from either side: 0.5 V of the battery, 0.3 V against it.
func TestSlackOfVoltages(t *testing.T) {
	for _, x := range []struct {
		battery, slot float64
		want          []Finding
	}{
		{9.72, 9.42, nil},
		{9.68, 9.38, []Finding{{What: BatteryLowest, Certain: true}}},
		{10.2, 9.62, nil},
		{10.2, 9.58, []Finding{{Slot: "f01", What: Lowest, Certain: true}}},
		{10.68, 10.38, nil},
		{10.72, 10.42, []Finding{{What: BatteryLowest, Certain: true}}},
	} {
		before, after := cycle(Slot{Behaviour: Permanent, Lowest: &Dip{V: 9.9}}), cycle(Slot{Behaviour: Permanent, Lowest: &Dip{V: x.slot}})
		before.Battery, after.Battery = &Dip{V: 10.2}, &Dip{V: x.battery}
		if got := Compare(before, after).Findings; !slices.Equal(got, x.want) {
			t.Errorf("battery at %g V, slot at %g V: %+v, want %+v", x.battery, x.slot, got, x.want)
		}
	}
}

func TestWhatOneCycleDidNotSee(t *testing.T) {
	before := cycle(Slot{Behaviour: Permanent, OffInStart: no(), Lowest: &Dip{V: 9.9}})
	before.Slots = append(before.Slots, Slot{Name: "f02", Behaviour: "ignition"}, Slot{Name: "f01", Behaviour: NoVolts})
	after := cycle(Slot{Behaviour: Permanent})
	after.Positions = []string{"off", "on"}
	after.Slots = append(after.Slots, Slot{Name: "f03", Behaviour: "ignition"})
	want := []Finding{{What: Visited, Position: "accessory", Why: OnlyBefore}, {What: Visited, Position: "start", Why: OnlyBefore}, {What: Visited, Position: "running", Why: OnlyBefore},
		{Slot: "f02", What: UnderTest, Why: OnlyBefore}, {Slot: "f03", What: UnderTest, Why: OnlyAfter}}
	got := Compare(before, after)
	if !slices.Equal(got.Findings, want) {
		t.Errorf("%+v, want %+v", got.Findings, want)
	}
	if !got.AsBefore() || got.Compared != 1 {
		t.Errorf("%d compared, as before %t", got.Compared, got.AsBefore())
	}
	if empty := Compare(&Cycle{}, &Cycle{}); empty.AsBefore() {
		t.Error("two cycles without slots are as before")
	}
}

// anyCycle draws a cycle, every member of it in all its forms.
func anyCycle(r *rand.Rand) *Cycle {
	one := func(xs ...Behaviour) Behaviour { return xs[r.IntN(len(xs))] }
	u := func(x float64) float64 { return x * r.Float64() * float64(r.IntN(2)) }
	tm := func() *Time {
		if r.IntN(4) == 0 {
			return nil
		}
		return &Time{400 * r.Float64() * r.Float64() * r.Float64(), u(1), r.IntN(5) == 0}
	}
	dip := func() *Dip {
		if r.IntN(4) == 0 {
			return nil
		}
		return &Dip{6 + 6*r.Float64(), u(0.3), u(1), r.IntN(6) == 0}
	}
	c := &Cycle{Battery: dip()}
	for _, p := range []string{"off", "accessory", "on", "start", "running"} {
		if r.IntN(3) > 0 {
			c.Positions = append(c.Positions, p)
		}
	}
	for range r.IntN(4) {
		s := Slot{Name: []string{"f01", "f02", "f03"}[r.IntN(3)], Behaviour: one(Permanent, "ignition", "accessory", Awake, NoVolts, SwitchOperated, Intermittent, NotProven),
			OnAfter: tm(), StaysOn: tm(), WatchedOffS: 600 * r.Float64(), Lowest: dip()}
		if s.Behaviour == NotProven {
			for range r.IntN(4) {
				s.Possible = append(s.Possible, one("ignition", "accessory", NoVolts, "start-only"))
			}
		}
		if r.IntN(3) > 0 {
			x := r.IntN(2) == 0
			s.OffInStart = &x
		}
		c.Slots = append(c.Slots, s)
	}
	return c
}

// differing are the differences, in an order of their own.
func differing(c Comparison) (out []Finding) {
	for _, f := range c.Findings {
		if f.Why == 0 {
			out = append(out, f)
		}
	}
	return out
}

func TestComparingKeepsItsRules(t *testing.T) {
	different := 0
	for seed := range uint64(20000) {
		r := rand.New(rand.NewPCG(seed, 1))
		b, a := anyCycle(r), anyCycle(r)
		if self := Compare(b, b); len(differing(self)) > 0 {
			t.Fatalf("seed %d: differs from itself: %+v", seed, self.Findings)
		} else if !self.AsBefore() && self.Compared > 0 {
			t.Fatalf("seed %d: is not as itself", seed)
		}
		there, back := Compare(b, a), Compare(a, b)
		if there.Compared != back.Compared || len(there.Findings) != len(back.Findings) {
			t.Fatalf("seed %d: %+v one way, %+v the other", seed, there, back)
		}
		for _, f := range there.Findings {
			switch f.Why {
			case OnlyBefore:
				f.Why = OnlyAfter
			case OnlyAfter:
				f.Why = OnlyBefore
			}
			if !slices.Contains(back.Findings, f) {
				t.Fatalf("seed %d: %+v is not there the other way round", seed, f)
			}
		}
		was := differing(there)
		different += len(was)
		for _, c := range []*Cycle{b, a} {
			blur(r, c)
		}
		for _, f := range differing(Compare(b, a)) {
			if f.Certain = true; !slices.ContainsFunc(was, func(w Finding) bool { w.Certain = true; return w == f }) {
				t.Fatalf("seed %d: less sure figures made a difference: %+v", seed, f)
			}
		}
	}
	if different < 10000 {
		t.Errorf("only %d differences: the cycles drawn are too much alike", different)
	}
}

// blur makes every figure of a cycle less sure.
func blur(r *rand.Rand, c *Cycle) {
	dips := []*Dip{c.Battery}
	for i := range c.Slots {
		dips = append(dips, c.Slots[i].Lowest)
		for _, x := range []*Time{c.Slots[i].OnAfter, c.Slots[i].StaysOn} {
			if x != nil {
				x.US += r.Float64()
				x.Open = x.Open || r.IntN(4) == 0
			}
		}
	}
	for _, d := range dips {
		if d != nil {
			d.UV, d.HiddenV, d.AtOrBelow = d.UV+r.Float64(), d.HiddenV+r.Float64(), d.AtOrBelow || r.IntN(4) == 0
		}
	}
}
