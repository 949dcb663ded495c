package judge

import (
	"math"
	"slices"
	"testing"

	"keyturn/daemon/handbook"
)

// goodSlot is a slot of which everything was tested and nothing is amiss.
func goodSlot(name string) BoxSlot {
	no, most := false, 1.0
	fused := Round{Slot: Slot{Name: name, Behaviour: Ignition, OnAfter: &Time{S: 0.02, US: 0.001}, StaysOn: &Time{S: 0.01, US: 0.001}, OffInStart: &no, Lowest: &Dip{V: 9.2, UV: 0.01}},
		Number: 1, Positions: visited, Fuse: FuseIn, Battery: &Dip{V: 9.5, UV: 0.01}, Source: &Source{Path: &Path{MOhm: 12, UMOhm: 1}},
		Leads: []Side{{Name: "left", LiveIn: liveIn(Ignition), DeadIn: []string{"accessory", "off"}, Proven: true}, {Name: "right", LiveIn: liveIn(Ignition), DeadIn: []string{"accessory", "off"}, Proven: true}}}
	unfused := fused
	unfused.Number, unfused.Fuse, unfused.Source = 2, FuseOut, nil
	unfused.Leads = []Side{fused.Leads[0], {Name: "right", DeadIn: visited, Proven: true}}
	return BoxSlot{Name: name, Match: "F", Expected: Expected{Behaviour: Ignition, StaysOnMaxS: &most, OffInStart: &no, FeedSide: "left"}, Rounds: []Round{fused, unfused}}
}

// Each rule by itself: a good slot, one thing changed, and what is then said.
func TestVerdictRules(t *testing.T) {
	yes := true
	for _, x := range []struct {
		name   string
		change func(*BoxSlot)
		code   ReasonCode
		makes  Outcome
	}{
		{"good", func(*BoxSlot) {}, AsExpected, Pass},
		{"behaves as another", func(s *BoxSlot) { s.Expected.Behaviour = Accessory }, WrongBehaviour, Fail},
		{"start and running not tried", func(s *BoxSlot) {
			s.Expected.Behaviour = EngineRunning
			for i := range s.Rounds {
				s.Rounds[i].Behaviour, s.Rounds[i].Possible = NotProven, []Behaviour{NoVolts, StartOnly, EngineRunning}
			}
		}, BehaviourNotProven, Unproven},
		{"a switch that nobody worked", func(s *BoxSlot) {
			s.Expected.Behaviour = SwitchOperated
			for i := range s.Rounds {
				s.Rounds[i].Behaviour = NoVolts
			}
		}, SwitchNotWorked, Unproven},
		{"awake, and never seen to sleep", func(s *BoxSlot) {
			s.Expected.Behaviour = Awake
			for i := range s.Rounds {
				s.Rounds[i].Behaviour, s.Rounds[i].WatchedOffS = Permanent, 0.5
			}
		}, OffNotSeen, Unproven},
		{"awake for too long", func(s *BoxSlot) {
			s.Expected.Behaviour = Awake
			for i := range s.Rounds {
				s.Rounds[i].Behaviour, s.Rounds[i].WatchedOffS = Permanent, 5
			}
		}, OnTooLong, Fail},
		{"late by less than twice u", func(s *BoxSlot) { s.Rounds[0].OnAfter = &Time{S: 0.101, US: 0.001} }, LiveInTime, Marginal},
		{"late by more", func(s *BoxSlot) { s.Rounds[0].OnAfter = &Time{S: 0.103, US: 0.001} }, LiveInTime, Fail},
		{"in time by less than twice u", func(s *BoxSlot) { s.Rounds[0].OnAfter = &Time{S: 0.099, US: 0.001} }, LiveInTime, Marginal},
		{"off too early", func(s *BoxSlot) { s.Expected.StaysOnMinS = 0.5 }, OffTooEarly, Fail},
		{"still on when last seen", func(s *BoxSlot) { s.Rounds[0].StaysOn = &Time{S: 0.5, Open: true} }, OffNotSeen, Unproven},
		{"holds in a start", func(s *BoxSlot) { s.Expected.OffInStart = &yes }, HoldsInStart, Fail},
		{"falls 1.3 V further", func(s *BoxSlot) { s.Rounds[0].Lowest.V = 8.2 }, Falls, Fail},
		{"may have fallen too far between two samples", func(s *BoxSlot) { s.Rounds[0].Lowest.HiddenV = 0.8 }, Falls, Marginal},
		{"35 mΩ", func(s *BoxSlot) { s.Rounds[0].Source.Path.MOhm = 35 }, ContactResistance, Marginal},
		{"61 mΩ, u 1", func(s *BoxSlot) { s.Rounds[0].Source.Path.MOhm = 61 }, ContactResistance, Marginal},
		{"63 mΩ, u 1", func(s *BoxSlot) { s.Rounds[0].Source.Path.MOhm = 63 }, ContactResistance, Fail},
		{"63 mΩ with a probe's in it", func(s *BoxSlot) { *s.Rounds[0].Source.Path = Path{63, 1, true} }, ContactWithProbe, Unproven},
		{"113 mΩ with a probe's in it", func(s *BoxSlot) { *s.Rounds[0].Source.Path = Path{113, 1, true} }, ContactWithProbe, Fail},
		{"20 mΩ, u 30", func(s *BoxSlot) { s.Rounds[0].Source.Path.MOhm, s.Rounds[0].Source.Path.UMOhm = 20, 30 }, ContactResistance, Unproven},
		{"only a bleed resistor", func(s *BoxSlot) { s.Rounds[0].Source.Path = nil }, ContactNotTested, Unproven},
		{"contact came and went", func(s *BoxSlot) { s.Rounds[1].Amiss = []Amiss{ContactLost} }, ContactWasLost, Marginal},
		{"a later round is otherwise", func(s *BoxSlot) { s.Rounds[1].Behaviour = Accessory }, RoundsDisagree, Unproven},
		{"one round only, single lead", func(s *BoxSlot) {
			s.Rounds = s.Rounds[:1]
			s.Rounds[0].Leads = s.Rounds[0].Leads[:1]
		}, SidesNotTested, Unproven},
		{"fed on the other side", func(s *BoxSlot) { s.Expected.FeedSide = "right" }, SidesCrossed, Unproven},
		{"live on both sides with the fuse out", func(s *BoxSlot) { s.Rounds[1].Leads[1].LiveIn = []string{"running"} }, BackFedFound, Fail},
		{"load side never proven", func(s *BoxSlot) { s.Rounds[1].Leads[1].Proven = false }, NoVoltsOrLeadOff, Unproven},
		{"blown fuse", func(s *BoxSlot) {
			s.Rounds[0].Leads[1].LiveIn, s.Rounds[0].Leads[1].DeadIn = nil, visited
		}, BlownFuse, Fail},
		{"three blades, an output live with the fuse out", func(s *BoxSlot) { s.Expected.FeedSide = Middle }, BackFedFound, Fail},
	} {
		s := goodSlot("f01")
		x.change(&s)
		b := JudgeBox(DefaultLimits(), []BoxSlot{s})
		v := b.Slots[0]
		k := slices.IndexFunc(v.Reasons, func(r VerdictReason) bool { return r.Code == x.code && r.Makes == x.makes })
		if k < 0 || v.Outcome > x.makes || x.makes != Unproven && v.Outcome == Unproven && x.code != RoundsDisagree {
			t.Errorf("%s: %+v, want %s %s", x.name, v, x.code, x.makes)
		}
		if x.makes == Pass && v.Outcome != Pass {
			t.Errorf("%s: %+v", x.name, v)
		}
	}
}

// A round in which the leads of a slot without volts are proven settles the rounds in which
// they are not, whether the slot should have volts or none; volts are not settled by it.
func TestVerdictProvenOnceIsEnough(t *testing.T) {
	for _, x := range []struct {
		should, saw Behaviour
		proven      bool
		want        ReasonCode
		makes       Outcome
	}{
		{Ignition, NoVolts, true, NoVoltsFound, Fail}, {Ignition, NoVolts, false, NoVoltsOrLeadOff, Unproven}, {NoVolts, NoVolts, true, AsExpected, Pass},
		{NoVolts, NoVolts, false, NoVoltsOrLeadOff, Unproven}, {Ignition, Ignition, true, NoVoltsOrLeadOff, Unproven},
	} {
		s := goodSlot("s")
		s.Expected = Expected{Behaviour: x.should}
		first, last := s.Rounds[0], s.Rounds[0]
		first.Behaviour, first.Leads = NoVolts, []Side{{Name: "left", DeadIn: visited}, {Name: "right", DeadIn: visited}}
		last.Number, last.Behaviour = 2, x.saw
		if x.saw == NoVolts {
			last.Leads = []Side{{Name: "left", DeadIn: visited, Proven: x.proven}, {Name: "right", DeadIn: visited, Proven: x.proven}}
		}
		s.Rounds = []Round{first, last}
		v := JudgeBox(DefaultLimits(), []BoxSlot{s}).Slots[0]
		has := func(c ReasonCode) bool {
			return slices.ContainsFunc(v.Reasons, func(r VerdictReason) bool { return r.Code == c })
		}
		if v.Outcome != x.makes || !has(x.want) || has(NoVoltsOrLeadOff) != (x.want == NoVoltsOrLeadOff) {
			t.Errorf("%+v: %+v", x, v)
		}
	}
}

// A slot that was still on when the watch ended and one that went off then have one value,
// and what it is says the bound; so it is with volts below what a lead can read.
func TestVerdictReasonSaysWhatOnlyBounds(t *testing.T) {
	most := 10.0
	for name, x := range map[string]struct { // each by itself
		change func(*BoxSlot)
		code   ReasonCode
		makes  Outcome
		value  float64
		bound  Bound
	}{
		"off too late":              {func(s *BoxSlot) { s.Rounds[0].StaysOn = &Time{S: 15} }, OnTooLong, Fail, 15, ""},
		"on beyond the limit":       {func(s *BoxSlot) { s.Rounds[0].StaysOn = &Time{S: 15, Open: true} }, OnTooLong, Fail, 15, AtLeast},
		"on within the limit":       {func(s *BoxSlot) { s.Rounds[0].StaysOn = &Time{S: 5, Open: true} }, OffNotSeen, Unproven, 5, AtLeast},
		"off late enough":           {func(s *BoxSlot) { s.Expected.StaysOnMinS, s.Rounds[0].StaysOn = 3, &Time{S: 5} }, OffTooEarly, Pass, 5, ""},
		"on for long enough":        {func(s *BoxSlot) { s.Expected.StaysOnMinS, s.Rounds[0].StaysOn = 3, &Time{S: 5, Open: true} }, OffTooEarly, Pass, 5, AtLeast},
		"lower than its lead reads": {func(s *BoxSlot) { s.Rounds[0].Lowest = &Dip{V: 6.5, AtOrBelow: true} }, Falls, Fail, 3, AtLeast},
	} {
		s := goodSlot("s")
		s.Expected.StaysOnMaxS = &most
		s.Rounds = s.Rounds[:1]
		x.change(&s)
		v := JudgeBox(DefaultLimits(), []BoxSlot{s}).Slots[0]
		k := slices.IndexFunc(v.Reasons, func(r VerdictReason) bool { return r.Code == x.code && r.Makes == x.makes })
		if k < 0 || math.Abs(v.Reasons[k].Value-x.value) > 1e-9 || v.Reasons[k].Bound != x.bound {
			t.Errorf("%s: %+v", name, v.Reasons)
		}
	}
}

// A box is as good as its worst slot; what cannot be tested keeps it from passing, and
// is counted apart. What is left out on purpose is not held against a slot.
func TestBoxVerdict(t *testing.T) {
	network, avoided, lacks := goodSlot("f02"), goodSlot("f03"), goodSlot("f04")
	network.Network, avoided.Avoid, lacks.Rounds[0].Source = true, "airbag", nil
	b := JudgeBox(DefaultLimits(), []BoxSlot{goodSlot("f01"), network, avoided})
	if b.Outcome != Unproven || b.OfTested != Pass || b.Untested != 2 || b.Count[Pass] != 1 || len(b.NotVisited) != 0 {
		t.Errorf("%+v", b)
	}
	if len(b.Slots[2].Reasons) != 1 || b.Slots[2].Reasons[0].Code != Avoided || b.Slots[1].Reasons[0].Code != Untestable {
		t.Errorf("%+v", b.Slots)
	}
	l := DefaultLimits()
	if b := JudgeBox(l, []BoxSlot{lacks}); b.Outcome != Unproven {
		t.Errorf("%+v", b)
	}
	l.LeftOut = []Check{CheckContact}
	if b := JudgeBox(l, []BoxSlot{lacks}); b.Outcome != Pass || !slices.Equal(b.LeftOut, l.LeftOut) {
		t.Errorf("%+v", b)
	}
	// What was found counts all the same.
	for code, change := range map[ReasonCode]func(*BoxSlot){
		ContactResistance: func(s *BoxSlot) { s.Rounds[0].Source.Path.MOhm = 200 },
		BackFedFound: func(s *BoxSlot) {
			s.Rounds[1].Leads = []Side{{Name: "right", LiveIn: []string{"on"}}}
		},
		BlownFuse: func(s *BoxSlot) { s.Rounds[0].Leads[1] = Side{Name: "right", DeadIn: visited, Proven: true} },
		Falls:     func(s *BoxSlot) { s.Rounds[0].Lowest.V = 5 },
	} {
		s := goodSlot("f01")
		change(&s)
		all := DefaultLimits()
		all.LeftOut = []Check{CheckContact, CheckSides, CheckStart}
		if b := JudgeBox(all, []BoxSlot{s}); b.Outcome != Fail || b.Slots[0].Reasons[0].Code != code {
			t.Errorf("%s: %+v", code, b.Slots[0])
		}
	}
	if b := JudgeBox(l, nil); b.Outcome != Unproven || b.OfTested != Unproven || len(b.NotVisited) != 4 {
		t.Errorf("%+v", b)
	}
}

// Beside 10 mΩ of its like, 29 mΩ passes the limit by itself and not the comparison's
// when it is sure to be more than 20 mΩ above.
func TestContactAboveMatchingSlots(t *testing.T) {
	slots := []BoxSlot{goodSlot("f01"), goodSlot("f02"), goodSlot("f03"), goodSlot("f04")}
	for i := range slots {
		slots[i].Rounds[0].Source.Path = &Path{MOhm: 5, UMOhm: 0.2}
	}
	own := &slots[0].Rounds[0].Source.Path.MOhm
	for _, x := range []struct {
		mohm float64
		want Outcome
	}{{24, Pass}, {25, Marginal}, {26, Fail}} {
		*own = x.mohm
		if b := JudgeBox(DefaultLimits(), slots); b.Slots[0].Outcome != x.want || b.Slots[1].Outcome != Pass {
			t.Errorf("%g mΩ: %+v, want %s", x.mohm, b.Slots[:2], x.want)
		}
	}
	// Who is usual is not known while the others were not measured.
	slots[1].Rounds[0].Source = nil
	*own = 5
	if b := JudgeBox(DefaultLimits(), slots); b.Slots[0].Outcome != Unproven || b.Slots[0].Reasons[0].Code != ContactNotCompared {
		t.Errorf("%+v", b.Slots[0])
	}
}

// No volts are a finding only where the lead was seen live before and after.
func TestProveTestProve(t *testing.T) {
	for _, proven := range []bool{true, false} {
		s := goodSlot("f01")
		s.Rounds = s.Rounds[:1]
		s.Rounds[0].Behaviour = NoVolts
		for i := range s.Rounds[0].Leads {
			s.Rounds[0].Leads[i] = Side{Name: s.Rounds[0].Leads[i].Name, DeadIn: visited, Proven: proven}
		}
		want := map[bool]ReasonCode{true: NoVoltsFound, false: NoVoltsOrLeadOff}[proven]
		for _, expected := range []Behaviour{Ignition, NoVolts} {
			s.Expected.Behaviour = expected
			v := JudgeBox(DefaultLimits(), []BoxSlot{s}).Slots[0]
			switch {
			case proven && expected == NoVolts && v.Outcome != Pass,
				proven && expected == Ignition && (v.Outcome != Fail || v.Reasons[0].Code != want),
				!proven && (v.Outcome != Unproven || v.Reasons[0].Code != want):
				t.Errorf("proven %v, should be %s: %+v", proven, expected, v)
			}
		}
	}
}

// Rounds of which no slot was in each are of nobody knows how many boxes.
func TestRoundsNeedAReference(t *testing.T) {
	a, b := goodSlot("f01"), goodSlot("f02")
	a.Rounds[0].Number, a.Rounds[1].Number, b.Rounds[0].Number, b.Rounds[1].Number = 1, 2, 3, 4
	v := JudgeBox(DefaultLimits(), []BoxSlot{a, b})
	if v.Outcome != Unproven || v.Slots[0].Reasons[0].Code != RoundsNotJoined {
		t.Errorf("%+v", v)
	}
	reference := goodSlot("f03")
	reference.Rounds = append(reference.Rounds, reference.Rounds...)
	for i := range reference.Rounds {
		reference.Rounds[i].Number = i + 1
	}
	if v := JudgeBox(DefaultLimits(), []BoxSlot{a, b, reference}); v.Outcome != Pass {
		t.Errorf("%+v", v)
	}
	// One that does not agree with itself joins nothing.
	reference.Rounds[2].StaysOn = &Time{S: 5, US: 0.001}
	if v := JudgeBox(DefaultLimits(), []BoxSlot{a, b, reference}); v.Slots[0].Outcome != Unproven {
		t.Errorf("%+v", v)
	}
}

// The pairs of a training page on volt drop over fuses (10 A, 1 mV, 130 mA) and of MACS
// Service Reports, June 2017 (15 A miniature, 0.1 mV, 22 mA).
func TestFuseFlow(t *testing.T) {
	for _, x := range []struct {
		kind     handbook.FuseType
		ratingA  float64
		mv, want float64
	}{{handbook.FuseC, 10, 1, 0.130}, {handbook.FuseF, 15, 0.1, 0.022}} {
		r, err := handbook.ResistanceOfFuse(x.kind, x.ratingA)
		if err != nil {
			t.Fatal(err)
		}
		p := FusePair{DropMV: x.mv + 3, NullMV: 3, UDropMV: x.mv / 10, UNullMV: x.mv / 10}
		f, err := p.Flow(r)
		if err != nil || !f.Flows || f.Backwards || math.Abs(f.Current.A-x.want) > 0.0005 || f.Current.LowA >= f.Current.A || f.Current.HighA <= f.Current.A {
			t.Errorf("%+v, %v, want %g A", f, err, x.want)
		}
		// 4u of a fuse of the least resistance within its tolerance.
		if want := 4 * math.Hypot(p.UDropMV, p.UNullMV) / r.ColdMilliOhm / 0.8; math.Abs(f.DetectsA-want) > 1e-9 {
			t.Errorf("detects %g A, want %g", f.DetectsA, want)
		}
		p.DropMV = 3 - x.mv
		if f, err := p.Flow(r); err != nil || !f.Flows || !f.Backwards {
			t.Errorf("%+v, %v", f, err)
		}
		p.DropMV = 3 + 1.9*math.Hypot(p.UDropMV, p.UNullMV)
		if f, err := p.Flow(r); err != nil || f.Flows || f.Current.A != 0 {
			t.Errorf("%+v, %v", f, err)
		}
		p.DropMV = 1000
		if _, err := p.Flow(r); err == nil {
			t.Error("a drop that no fuse has")
		}
	}
}

// has is the reason of a code; the zero one where a verdict has none such.
func (v *Verdict) has(code ReasonCode) VerdictReason {
	for _, r := range v.Reasons {
		if r.Code == code {
			return r
		}
	}
	return VerdictReason{}
}

// Two slots that each do what the other should do not fail, whatever their figures: those
// are the other's. Of three nobody can tell which two.
func TestCrossedLeads(t *testing.T) {
	a, b, c := goodSlot("f01"), goodSlot("f02"), goodSlot("f03")
	for i := range b.Rounds {
		a.Rounds[i].Behaviour, a.Rounds[i].StaysOn = Accessory, &Time{S: 40, US: 0.001}
	}
	b.Expected.Behaviour, c.Expected.Behaviour = Accessory, Accessory
	two := JudgeBox(DefaultLimits(), []BoxSlot{a, b})
	for i, other := range []string{"f02", "f01"} {
		if v := two.Slots[i]; v.Outcome != Unproven || v.has(SlotsCrossed).Other != other {
			t.Errorf("%+v", v)
		}
	}
	three := JudgeBox(DefaultLimits(), []BoxSlot{a, b, c})
	if v := three.Slots[0]; v.has(SlotsCrossed).Code == "" || v.has(SlotsCrossed).Other != "" || three.Slots[1].has(SlotsCrossed).Other != "f01" {
		t.Errorf("%+v", three.Slots)
	}
}

// Without its load a slot may stay on for another time: that is no disagreement. A slot
// that nobody may touch is no reference.
func TestWhatRoundsMayDifferIn(t *testing.T) {
	s := goodSlot("f01")
	s.Rounds[1].StaysOn = &Time{S: 0.9, US: 0.001}
	if v := JudgeBox(DefaultLimits(), []BoxSlot{s}).Slots[0]; v.Outcome != Pass {
		t.Errorf("%+v", v)
	}
	s.Rounds[0].Fuse = FuseOut
	if v := JudgeBox(DefaultLimits(), []BoxSlot{s}).Slots[0]; v.has(RoundsDisagree).Code == "" {
		t.Errorf("%+v", v)
	}
	s = goodSlot("f01")
	avoided := goodSlot("f02")
	avoided.Avoid, s.Rounds = "airbag", s.Rounds[:1]
	if v := JudgeBox(DefaultLimits(), []BoxSlot{s, avoided}).Slots[0]; v.has(RoundsNotJoined).Code == "" {
		t.Errorf("%+v", v)
	}
}

// With the fuse out, no volts at a lead on the load side say nothing of the slot; and of
// a slot without volts nothing else is said.
func TestNoVoltsSayNoMore(t *testing.T) {
	s := goodSlot("f01")
	s.Rounds = s.Rounds[1:]
	s.Rounds[0].Leads = s.Rounds[0].Leads[1:]
	s.Rounds[0].Behaviour = NoVolts
	if v := JudgeBox(DefaultLimits(), []BoxSlot{s}).Slots[0]; v.Outcome != Unproven || v.Reasons[0].Code != FeedSideUnseen {
		t.Errorf("%+v", v)
	}
	s.Rounds[0].Fuse = FuseIn
	if v := JudgeBox(DefaultLimits(), []BoxSlot{s}).Slots[0]; v.Outcome != Fail || len(v.Reasons) != 1 {
		t.Errorf("%+v", v)
	}
}
