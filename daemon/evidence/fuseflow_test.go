package evidence

import (
	"slices"
	"strings"
	"testing"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// pairIn is a slot with a lead on each side that read so many volts at rest with the key on;
// 0: no volts.
func pairIn(slot string, upperV, lowerV float64) protocol.CycleSlot {
	lead := func(name, side string, v float64) protocol.CycleLead {
		state := protocol.Live
		if v == 0 {
			state = protocol.Dead
		}
		return protocol.CycleLead{Lead: name, Side: protocol.OrNull(side), Levels: protocol.List[protocol.PositionLevel]{{Position: protocol.PositionOn, State: state, V: protocol.Volts(v), UV: 0.05}}}
	}
	return protocol.CycleSlot{Slot: slot, Fuse: protocol.FuseIn, Leads: protocol.List[protocol.CycleLead]{lead(slot+"-u", "upper", upperV), lead(slot+"-l", "lower", lowerV)}}
}

func cycleWith(slots ...protocol.CycleSlot) *protocol.Cycle {
	return &protocol.Cycle{ResultHeader: protocol.ResultHeader{Header: protocol.Header{Bench: "b1"}}, Subject: protocol.Vehicle, ID: "c", Slots: slots}
}

// Miniature fuses of 10 A have 7.5 mΩ: 30 mV are near 4 A (3.7 A once it has warmed). In
// f03 the feed is the lower side.
func TestFuseFlows(t *testing.T) {
	box := readBox(t)
	off := pairIn("f02", 12.5, 12.5)
	off.Fuse = protocol.FuseOut
	c := cycleWith(pairIn("f01", 12.500, 12.480), pairIn("f03", 12.5, 12.51), off, pairIn("f04", 12.5, 0), pairIn("f10", 12.5, 12.5), pairIn("f11", 12.5, 12.4), pairIn("f06", 12.5, 12.1))
	null := cycleWith(pairIn("f01", 12.490, 12.500), pairIn("f03", 12.5, 12.51), off, pairIn("f04", 12.5, 12.5), pairIn("f10", 0, 0), pairIn("f11", 12.5, 12.5), pairIn("f06", 12.5, 12.5))
	flows, err := FuseFlows(c, null, box, 16)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]judge.SlotFlow{}
	for _, f := range flows {
		got[f.Slot] = f
	}
	if f := got["f01"]; f.Flow == nil || !f.Flow.Flows || f.Flow.Backwards || !f.SideKnown || f.Position != "on" || f.Flow.Current.A < 3.4 || f.Flow.Current.A > 4 || f.Flow.Current.LowA < 1.5 || f.Flow.Current.HighA > 7 {
		t.Errorf("f01: %+v, %+v", f, f.Flow)
	}
	if f := got["f03"]; f.Flow == nil || f.Flow.Flows || f.Flow.DetectsA < 1 || f.Flow.DetectsA > 10 {
		t.Errorf("f03: %+v, %+v", f, f.Flow)
	}
	if f := got["f04"]; !f.Blown {
		t.Errorf("f04: %+v", f)
	}
	if f := got["f10"]; f.Flow != nil || !strings.Contains(f.Why, "live") {
		t.Errorf("f10: %+v", f)
	}
	if f := got["f06"]; f.Flow != nil || !strings.Contains(f.Why, "up to its rating") {
		t.Errorf("f06: %+v", f)
	}
	for _, slot := range []string{"f02", "f11"} { // its fuse is out; nobody may touch it
		if f, ok := got[slot]; ok {
			t.Errorf("%s: %+v", slot, f)
		}
	}

	// The same by converters of 12 bits is lost in their steps of 26 mV.
	if coarse, err := FuseFlows(c, null, box, 12); err != nil || coarse[0].Flow == nil || coarse[0].Flow.Flows {
		t.Errorf("%+v, %v", coarse, err)
	}

	slots := []judge.FeedSlot{{Slot: judge.Slot{Name: "f01"}}, {Slot: judge.Slot{Name: "f03"}, LoadA: 4, Basis: judge.LoadTyped}, {Slot: judge.Slot{Name: "f04"}}}
	AddFlows(slots, flows)
	if slots[0].Basis != judge.LoadSeen || slots[0].LoadA != got["f01"].Flow.Current.HighA {
		t.Errorf("%+v", slots[0])
	}
	if slots[1].Basis != judge.LoadTyped || slots[1].LoadA != 4 {
		t.Errorf("what a person says is overruled: %+v", slots[1])
	}
	if len(slots[2].Amiss) != 1 || slots[2].Amiss[0] != judge.Blown {
		t.Errorf("%+v", slots[2])
	}

	other := cycleWith(pairIn("f01", 12.5, 12.5))
	other.Slots[0].Leads[0].Lead = "another"
	elsewhere := cycleWith(pairIn("f01", 12.5, 12.5))
	elsewhere.Bench = "b2"
	for says, n := range map[string]*protocol.Cycle{"same two leads": other, "b2": elsewhere} {
		if _, err := FuseFlows(c, n, box, 16); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, want an error that says %q", err, says)
		}
	}
}

// With three blades there is a lead behind each of two fuses, and none before them.
func TestNoFlowBetweenTwoOutputs(t *testing.T) {
	box := readBox(t)
	box.Slot("f01").Kind, box.Slot("f01").FeedSide = "micro-three-blades", ""
	flows, err := FuseFlows(cycleWith(pairIn("f01", 12.5, 0)), cycleWith(pairIn("f01", 12.5, 12.5)), box, 16)
	if err != nil || len(flows) != 0 {
		t.Errorf("%+v, %v", flows, err)
	}
}

// The position in which the most flows is told, and a null with other volts is worse.
func TestTheMostFlowIsTold(t *testing.T) {
	box := readBox(t)
	s := pairIn("f01", 12.5, 12.5)
	for i, v := range []protocol.Volts{14.2, 14.17} {
		s.Leads[i].Levels = append(s.Leads[i].Levels, protocol.PositionLevel{Position: protocol.PositionRunning, State: protocol.Live, V: v, UV: 0.05})
	}
	null := cycleWith(pairIn("f01", 12.5, 12.5))
	flows, err := FuseFlows(cycleWith(s), null, box, 16)
	if err != nil || len(flows) != 1 || flows[0].Flow == nil || flows[0].Position != "running" || !flows[0].Flow.Flows {
		t.Fatalf("%+v, %v", flows, err)
	}
	worse := flows[0].Flow.DetectsA
	null.Slots[0].Leads[0].Levels[0].V, null.Slots[0].Leads[1].Levels[0].V = 14.2, 14.2
	if flows, err = FuseFlows(cycleWith(s), null, box, 16); err != nil || flows[0].Flow.DetectsA >= worse {
		t.Errorf("%+v, %v: no better than %g A", flows[0].Flow, err, worse)
	}
}

// levelsOf puts more levels into a pair, in running and so on: the upper's and the lower's
// volts.
func levelsOf(s protocol.CycleSlot, more ...[2]protocol.Volts) protocol.CycleSlot {
	positions := []protocol.Position{protocol.PositionRunning, protocol.PositionAccessory, protocol.PositionOff}
	for k, v := range more {
		for i := range s.Leads {
			s.Leads[i].Levels = append(s.Leads[i].Levels, protocol.PositionLevel{Position: positions[k], State: protocol.Live, V: v[i], UV: 0.05})
		}
	}
	return s
}

// What may flow is the most over the key's positions, also where nothing was found, and a
// drop beyond the fuse's rating in any of them leaves it not known.
func TestTheBoundIsOfAllPositions(t *testing.T) {
	box, null := readBox(t), cycleWith(pairIn("f01", 12.5, 12.5))
	flowOf := func(s protocol.CycleSlot) judge.SlotFlow {
		flows, err := FuseFlows(cycleWith(s), null, box, 16)
		if err != nil || len(flows) != 1 {
			t.Fatalf("%+v, %v", flows, err)
		}
		return flows[0]
	}
	near, far := flowOf(pairIn("f01", 12.5, 12.5)), flowOf(pairIn("f01", 14.2, 14.2))
	if near.Flow.Flows || far.Flow.Flows || far.Flow.DetectsA <= near.Flow.DetectsA {
		t.Fatalf("%+v, %+v", near.Flow, far.Flow)
	}
	both := flowOf(levelsOf(pairIn("f01", 12.5, 12.5), [2]protocol.Volts{14.2, 14.2}))
	if a, known := both.MostA(); !known || a != far.Flow.DetectsA || both.Position != "on" {
		t.Errorf("%g A, %v of %+v; want %g A", a, known, both, far.Flow.DetectsA)
	}
	for name, s := range map[string]protocol.CycleSlot{
		"too much last":  levelsOf(pairIn("f01", 12.5, 12.48), [2]protocol.Volts{12.5, 12.1}),
		"too much first": levelsOf(pairIn("f01", 12.5, 12.1), [2]protocol.Volts{12.5, 12.48}),
	} {
		f := flowOf(s)
		if _, known := f.MostA(); known || f.Flow != nil || !strings.Contains(f.Why, "up to its rating") {
			t.Errorf("%s: %+v", name, f)
		}
	}
}

// A slot that is fed from its load side is refused, whether its fuse holds or not, and what
// flows is not its circuit's draw. One in which no more flows backwards than chance makes is
// not accused. The feed side of f01 is the upper.
func TestBackFedSlots(t *testing.T) {
	box, null := readBox(t), cycleWith(pairIn("f01", 12.5, 12.5))
	for _, x := range []struct {
		name  string
		s     protocol.CycleSlot
		amiss []judge.Amiss
		basis judge.LoadBasis
	}{
		{"past an open fuse", pairIn("f01", 0, 12.5), []judge.Amiss{judge.Blown, judge.BackFed}, judge.LoadNotKnown},
		{"an open fuse", pairIn("f01", 12.5, 0), []judge.Amiss{judge.Blown}, judge.LoadNotKnown},
		{"through its fuse", pairIn("f01", 12.48, 12.5), []judge.Amiss{judge.BackFed}, judge.LoadNotKnown},
		{"in one position", levelsOf(pairIn("f01", 12.48, 12.5), [2]protocol.Volts{12.5, 12.47}), []judge.Amiss{judge.BackFed}, judge.LoadNotKnown},
		{"after more than its fuse bears", levelsOf(pairIn("f01", 0, 12.5), [2]protocol.Volts{12.5, 12.1}), []judge.Amiss{judge.Blown, judge.BackFed}, judge.LoadNotKnown},
		{"beside more than its fuse bears", levelsOf(pairIn("f01", 12.48, 12.5), [2]protocol.Volts{12.5, 12.1}), []judge.Amiss{judge.BackFed}, judge.LoadNotKnown},
		{"in a later position", levelsOf(pairIn("f01", 12.5, 12.47), [2]protocol.Volts{12.48, 12.5}), []judge.Amiss{judge.BackFed}, judge.LoadNotKnown},
		{"hardly", pairIn("f01", 12.494, 12.5), nil, judge.LoadSeen},
	} {
		flows, err := FuseFlows(cycleWith(x.s), null, box, 16)
		if err != nil {
			t.Fatal(x.name, err)
		}
		slots := []judge.FeedSlot{{Slot: judge.Slot{Name: "f01"}}}
		AddFlows(slots, flows)
		if !slices.Equal(slots[0].Amiss, x.amiss) || slots[0].Basis != x.basis {
			t.Errorf("%s: %+v, %+v", x.name, slots[0], flows)
		}
	}
	box.Slot("f01").FeedSide = ""
	if flows, err := FuseFlows(cycleWith(pairIn("f01", 12.48, 12.5)), null, box, 16); err != nil || flows[0].BackFed {
		t.Errorf("accused of no known side: %+v, %v", flows, err)
	}
}
