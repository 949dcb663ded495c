package report

import (
	"fmt"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// FuseFlow says what flows through a fuse in its slot.
func FuseFlow(f *judge.SlotFlow) string {
	at := "with the key at " + Position(protocol.Position(f.Position))
	switch {
	case f.Blown && f.BackFed:
		return "fed from its load side past a blown fuse, or the lead of the feed side came off, " + at
	case f.Blown:
		return "blown fuse, or the lead of the side without volts came off, " + at
	case f.Flow == nil:
		return "not known: " + f.Why
	case !f.Flow.Flows:
		return fmt.Sprintf("no more than %.1f A flows %s", f.Flow.DetectsA, at)
	}
	c := &f.Flow.Current
	text := fmt.Sprintf("%.1f A (%.1f to %.1f A) flows %s", c.A, c.LowA, c.HighA, at)
	if c.LowA >= f.Flow.DetectsA {
		text = fmt.Sprintf("more than %.1f A flows: %.1f A (%.1f to %.1f A) %s", f.Flow.DetectsA, c.A, c.LowA, c.HighA, at)
	} else {
		text += fmt.Sprintf("; these leads find %.1f A and more for sure", f.Flow.DetectsA)
	}
	if f.SideKnown && f.Flow.Backwards {
		text += ", from the load side to the feed side"
	} else if f.BackFed {
		text += "; in another position it is fed from its load side"
	}
	return text
}
