package judge

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// names reports whether a verdict names a fault: a reason that is not passed, of the
// right kind.
func (f fault) named(v *Verdict) bool {
	codes := map[fault][]ReasonCode{
		wrongCircuit: {WrongBehaviour}, noVolts: {NoVoltsFound}, badJoint: {ContactResistance, ContactWithProbe, ContactAbove}, backFeed: {BackFedFound},
		bridge: {Bridged}, earthShort: {BlownFuse}, lateRelay: {LiveInTime}, dropOut: {DropsOut}, comesAndGoes: {ComesAndGoes}, onTooLong: {OnTooLong},
		sags: {Falls}, ghostly: {GhostFound}, crossedPair: {SlotsCrossed}, crossedSides: {SidesCrossed}, leadOff: {NoVoltsOrLeadOff},
	}[f]
	return slices.ContainsFunc(v.Reasons, func(r VerdictReason) bool { return r.Makes < Pass && slices.Contains(codes, r.Code) })
}

// Every planted fault is found and named, no good slot fails, and what the bench cannot
// test never passes.
func TestPlantedFaultsAreNamed(t *testing.T) {
	const boxes = 500
	rng := rand.New(rand.NewPCG(9, 1))
	planted := map[fault]int{}
	good, passed, ownWire, untested := 0, 0, 0, 0
	for n := range boxes {
		m := newModelBox(rng)
		for k := range rng.IntN(6) {
			if f := everyFault()[(n+k*7)%len(everyFault())]; m.plant(f) {
				planted[f]++
			}
		}
		slots := m.inputs()
		b := JudgeBox(DefaultLimits(), slots)
		for i := range b.Slots {
			v, x := &b.Slots[i], &m.slots[i]
			switch {
			case x.Network || x.Avoid != "":
				untested++
				if v.Outcome != Unproven || len(v.Reasons) != 1 {
					t.Fatalf("box %d, %s cannot be tested: %+v", n, v.Slot, v)
				}
			case x.fault != "":
				if v.Outcome == Pass || !x.fault.named(v) {
					t.Errorf("box %d, %s has %s: %+v\nof %+v", n, v.Slot, x.fault, v, slots[i])
				}
			default:
				good++
				if v.Outcome == Fail {
					t.Errorf("box %d, %s is good: %+v", n, v.Slot, v)
				}
				if !m.withProbe {
					ownWire++
					if v.Outcome == Pass {
						passed++
					}
				}
			}
		}
	}
	t.Logf("%d boxes, planted %v; %d good slots, none failed, %d untested; of %d with the load on a wire of its own %d passed", boxes, planted, good, untested, ownWire, passed)
	if good < 10000 || passed*100 < ownWire*97 || len(planted) != len(everyFault()) {
		t.Errorf("%d good slots, %d of %d passed", good, passed, ownWire)
	}
	for f, n := range planted {
		if n < 30 {
			t.Errorf("only %d times %s", n, f)
		}
	}
}
