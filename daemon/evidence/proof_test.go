package evidence

import (
	"slices"
	"testing"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// Which slots lack a proof only: those whose leads were live before need a later round, those
// whose leads were live after are to be tested again, and those of leads that were never live
// need more than a round.
func TestLacksProof(t *testing.T) {
	cycle := func(seq int64, live string, dead ...string) *protocol.Cycle {
		c := &protocol.Cycle{Battery: &protocol.CycleLead{Lead: "sense"}}
		c.Bench, c.Stream, c.Seq = "b", "s", seq
		for _, slot := range dead {
			c.Slots = append(c.Slots, protocol.CycleSlot{Slot: slot, Leads: protocol.List[protocol.CycleLead]{{Lead: "lead-" + slot[:1], StateBefore: protocol.Dead}}})
		}
		if live != "" {
			c.Slots = append(c.Slots, protocol.CycleSlot{Slot: live, Leads: protocol.List[protocol.CycleLead]{{Lead: "lead-" + live[:1], StateBefore: protocol.Live}}})
		}
		return c
	}
	// A lead is named by the first letter of its slots.
	cycles := []*protocol.Cycle{cycle(1, "", "a1", "c1"), cycle(2, "a2"), cycle(3, "", "a3", "c3")}
	verdict := func(slot string, more ...judge.VerdictReason) judge.Verdict {
		return judge.Verdict{Slot: slot, Outcome: judge.Unproven, Reasons: append([]judge.VerdictReason{{Code: judge.NoVoltsOrLeadOff, Makes: judge.Unproven}}, more...)}
	}
	b := &judge.BoxVerdict{Slots: []judge.Verdict{verdict("a1"), verdict("c1"), verdict("a3"), verdict("c3"), {Slot: "a2", Outcome: judge.Pass, Reasons: []judge.VerdictReason{{Code: judge.AsExpected, Makes: judge.Pass}}}}}
	if again, later := LacksProof(cycles, b); !slices.Equal(again, []string{"a1"}) || !slices.Equal(later, []string{"a3"}) {
		t.Errorf("again %q, later %q", again, later)
	}
	b.Slots[0] = verdict("a1", judge.VerdictReason{Code: judge.RoundsNotJoined, Makes: judge.Unproven})
	cycles[1].Battery = nil
	if again, later := LacksProof(cycles, b); again != nil || later != nil {
		t.Errorf("with another lack, and no known supply: again %q, later %q", again, later)
	}
}
