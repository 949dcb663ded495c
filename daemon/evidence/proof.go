package evidence

import (
	"slices"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// LacksProof are the slots without volts that lack nothing but the proof of their leads
// (prove, test, prove), though each of these was seen live in a round. Those of later had
// leads that were seen live before: a later round is all that they lack. Those of again are
// to be tested once more. The key cycles are those that were judged, in their order.
func LacksProof(cycles []*protocol.Cycle, b *judge.BoxVerdict) (again, later []string) {
	proofs := prove(cycles)
	for i := range b.Slots {
		v := &b.Slots[i]
		if slices.ContainsFunc(v.Reasons, func(r judge.VerdictReason) bool {
			return r.Makes < judge.Pass && (r.Code != judge.NoVoltsOrLeadOff || r.Side != "")
		}) || v.Outcome == judge.Pass {
			continue
		}
		switch seen, before := seenLive(proofs, cycles, v.Slot); {
		case before:
			later = append(later, v.Slot)
		case seen:
			again = append(again, v.Slot)
		}
	}
	return again, later
}

// seenLive reports whether every lead that a slot had was seen live in some round, and
// whether all were before one in which they were in the slot.
func seenLive(proofs []proof, cycles []*protocol.Cycle, slot string) (seen, before bool) {
	seen = true
	for _, c := range cycles {
		k := slices.IndexFunc(c.Slots, func(s protocol.CycleSlot) bool { return s.Slot == slot })
		if k < 0 {
			continue
		}
		all := true
		for _, l := range c.Slots[k].Leads {
			of := func(p proof) bool { return p.lead == l.Lead && oneStream(p.cycle, c) }
			seen = seen && slices.ContainsFunc(proofs, of)
			all = all && slices.ContainsFunc(proofs, func(p proof) bool { return of(p) && p.cycle.Seq <= c.Seq })
		}
		before = before || all
	}
	return seen, seen && before
}
