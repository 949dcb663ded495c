package evidence

import (
	"slices"
	"strings"
	"testing"

	"keyturn/daemon/config"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// second is an instant of a round.
func second(s float64) int64 { return int64(s * 1e9) }

func edge(state protocol.State, at float64) protocol.Transition {
	return protocol.Transition{Edge: protocol.Edge{State: state, AtNS: second(at), NotBeforeNS: second(at) - 1e6, NotAfterNS: second(at) + 1e6}}
}

// fusedRound is a key cycle of two slots: f01 is ignition-switched with a lead on each
// side, f02 permanent likewise.
func fusedRound(seq int64, fuse protocol.Fuse) *protocol.Cycle {
	follows := protocol.List[protocol.Transition]{edge(protocol.Live, 2), edge(protocol.Dead, 5)}
	c := &protocol.Cycle{Subject: protocol.OffVehicle, ID: "b-" + string(rune('0'+seq)), Revision: 2, Final: true, Battery: &protocol.CycleLead{Lead: "sense"},
		Key: protocol.List[protocol.KeyMove]{{Position: "accessory", AtNS: second(1)}, {Position: "on", AtNS: second(2)}, {Position: "off", AtNS: second(5)}},
		Slots: protocol.List[protocol.CycleSlot]{
			{Slot: "f01", Fuse: fuse, Behaviour: protocol.Ignition, Leads: protocol.List[protocol.CycleLead]{
				{Lead: "a", Side: "left", StateBefore: protocol.Dead, Transitions: follows}, {Lead: "b", Side: "right", StateBefore: protocol.Dead, Transitions: follows}}},
			{Slot: "f02", Fuse: fuse, Behaviour: protocol.Permanent, Leads: protocol.List[protocol.CycleLead]{
				{Lead: "c", Side: "left", StateBefore: protocol.Live}, {Lead: "d", Side: "right", StateBefore: protocol.Live}}}}}
	c.Bench, c.Stream, c.Seq, c.MonoNS = "b", "s", seq, second(9)
	if fuse == protocol.FuseOut {
		c.Slots[0].Leads[1].Transitions = nil
		c.Slots[1].Leads[0].StateBefore = protocol.Dead
	}
	return c
}

func smallBox() *config.Box {
	return &config.Box{ID: "small-2", Slots: []config.BoxSlot{
		{ID: "f01", Kind: "8820-3-F", Expected: "ignition", FeedSide: "left", Avoid: "no", Contacts: "left-right"},
		{ID: "f02", Kind: "8820-3-F", Expected: "permanent", FeedSide: "right", Avoid: "no", Contacts: "left-right"},
		{ID: "f03", Kind: "micro-three-blades", Expected: "ignition", Avoid: "airbag", Contacts: "left-right"},
		{ID: "f04", Kind: "8820-3-F", Expected: "awake", Avoid: "no", Control: config.ControlNetwork}}}
}

// Rounds with the fuse in, out and in again prove each lead and show the feed sides.
func TestBoxSlots(t *testing.T) {
	cycles := []*protocol.Cycle{fusedRound(3, protocol.FuseIn), fusedRound(1, protocol.FuseIn), fusedRound(2, protocol.FuseOut)}
	slots, err := BoxSlots(cycles, smallBox(), false)
	if err != nil {
		t.Fatal(err)
	}
	f01, f02 := slots[0], slots[1]
	if len(f01.Rounds) != 3 || f01.Rounds[1].Fuse != judge.FuseOut || f01.Match != "8820-3-F" || !slices.Equal(f01.Rounds[0].Positions, []string{"accessory", "on", "off"}) {
		t.Fatalf("%+v", f01)
	}
	if l := f01.Rounds[0].Leads[0]; l.Name != "left" || !slices.Equal(l.LiveIn, []string{"on"}) || !slices.Equal(l.DeadIn, []string{"accessory", "off"}) {
		t.Errorf("%+v", l)
	}
	if l := f02.Rounds[1].Leads; len(l[0].LiveIn) != 0 || len(l[0].DeadIn) != 3 || len(l[1].LiveIn) != 3 || !l[0].Proven {
		t.Errorf("%+v", l)
	}
	if slots[2].Avoid != "airbag" || slots[2].Expected.FeedSide != judge.Middle || !slots[3].Network {
		t.Errorf("%+v", slots[2:])
	}
	l := judge.DefaultLimits()
	l.LeftOut = []judge.Check{judge.CheckContact, judge.CheckStart}
	b := judge.JudgeBox(l, slots)
	for i, want := range []judge.ReasonCode{judge.FeedSideFound, judge.FeedSideFound, judge.Avoided, judge.Untestable} {
		if v := b.Slots[i]; !slices.ContainsFunc(v.Reasons, func(r judge.VerdictReason) bool { return r.Code == want }) || i < 2 && v.Outcome != judge.Pass && v.Reasons[0].Code != judge.LiveNotTimed {
			t.Errorf("%+v, want %s", v, want)
		}
	}
	// Of a vehicle the network is awake.
	for _, c := range cycles {
		c.Subject = protocol.Vehicle
	}
	if slots, err := BoxSlots(cycles, smallBox(), true); err != nil || slots[3].Network || slots[2].Avoid != "airbag" {
		t.Errorf("%v, %+v", err, slots)
	}
}

// A lead that is not seen live after the round, or by another bench, or without a known
// supply, is not proven.
func TestProofNeedsBeforeAndAfter(t *testing.T) {
	for name, change := range map[string]func([]*protocol.Cycle) []*protocol.Cycle{
		"before and after":       func(c []*protocol.Cycle) []*protocol.Cycle { return c },
		"not after":              func(c []*protocol.Cycle) []*protocol.Cycle { return c[:2] },
		"not before":             func(c []*protocol.Cycle) []*protocol.Cycle { return c[1:] },
		"another stream after":   func(c []*protocol.Cycle) []*protocol.Cycle { c[2].Stream = "t"; return c },
		"another bench before":   func(c []*protocol.Cycle) []*protocol.Cycle { c[0].Bench = "other"; return c },
		"no supply known after":  func(c []*protocol.Cycle) []*protocol.Cycle { c[2].Battery = nil; return c },
		"lead off in the middle": func(c []*protocol.Cycle) []*protocol.Cycle { c[2].Slots[0].Leads[1].Transitions = nil; return c },
	} {
		slots, err := BoxSlots(change([]*protocol.Cycle{fusedRound(1, protocol.FuseIn), fusedRound(2, protocol.FuseOut), fusedRound(3, protocol.FuseIn)}), smallBox(), false)
		if err != nil {
			t.Fatal(name, err)
		}
		for _, r := range slots[0].Rounds {
			if r.Fuse == judge.FuseOut && r.Leads[1].Proven != (name == "before and after") {
				t.Errorf("%s: %+v", name, r.Leads)
			}
		}
	}
}

// A transition that may fall on either side of the instant leaves the state unknown, and
// so do transitions that are not listed.
func TestStateAt(t *testing.T) {
	l := &protocol.CycleLead{StateBefore: protocol.Dead, Transitions: protocol.List[protocol.Transition]{edge(protocol.Live, 2)}}
	for _, x := range []struct {
		at   float64
		want protocol.State
	}{{1, protocol.Dead}, {2, protocol.Unknown}, {3, protocol.Live}} {
		if got := stateAt(l, second(x.at)); got != x.want {
			t.Errorf("at %g s %s, want %s", x.at, got, x.want)
		}
	}
	l.LeftOut = 3
	if got := stateAt(l, second(3)); got != protocol.Unknown {
		t.Errorf("%s though transitions are left out", got)
	}
}

func TestBoxSlotsRefuses(t *testing.T) {
	open, other, alien := fusedRound(2, protocol.FuseIn), fusedRound(2, protocol.FuseIn), fusedRound(2, protocol.FuseIn)
	open.Final, other.Subject, alien.Slots[0].Slot = false, protocol.Vehicle, "x9"
	for _, x := range []struct {
		cycles []*protocol.Cycle
		says   string
	}{
		{nil, "no key cycle"},
		{[]*protocol.Cycle{open}, "not final"},
		{[]*protocol.Cycle{fusedRound(1, protocol.FuseIn), other}, "judge them apart"},
		{[]*protocol.Cycle{alien}, `"x9"`},
	} {
		if _, err := BoxSlots(x.cycles, smallBox(), false); err == nil || !strings.Contains(err.Error(), x.says) {
			t.Errorf("%v, want an error that says %q", err, x.says)
		}
	}
	// Of one key cycle the last revision counts, in whatever order they come.
	last := fusedRound(1, protocol.FuseIn)
	last.Revision, last.Slots[0].Behaviour = 3, protocol.Accessory
	slots, err := BoxSlots([]*protocol.Cycle{last, fusedRound(1, protocol.FuseIn)}, smallBox(), false)
	if err != nil || len(slots[0].Rounds) != 1 || slots[0].Rounds[0].Behaviour != judge.Accessory {
		t.Errorf("%v, %+v", err, slots)
	}
}

// A slot whose own switch was on for one stay at a position and off for another has not lost
// one of its sides; where the other side is live it has.
func TestOwnSwitchIsNoOpenContact(t *testing.T) {
	for _, lost := range []bool{false, true} {
		c := fusedRound(1, protocol.FuseIn)
		c.Key = protocol.List[protocol.KeyMove]{{Position: "on", AtNS: second(1)}, {Position: "start", AtNS: second(3)}, {Position: "on", AtNS: second(4)}, {Position: "off", AtNS: second(8)}}
		both := protocol.List[protocol.Transition]{edge(protocol.Live, 2), edge(protocol.Dead, 6)}
		c.Slots[0].Leads[0].Transitions, c.Slots[0].Leads[1].Transitions = both, both
		if lost {
			c.Slots[0].Leads[0].Transitions = both[:1]
		}
		slots, err := BoxSlots([]*protocol.Cycle{c}, smallBox(), false)
		if err != nil {
			t.Fatal(err)
		}
		if dead := slices.Contains(slots[0].Rounds[0].Leads[1].DeadIn, "on"); dead != lost {
			t.Errorf("one side lost: %t, dead with the key on: %t", lost, dead)
		}
	}
}
