package picture

import (
	"fmt"
	"strings"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// Sentence says in words what the picture of a cycle shows, for those who do not
// see it: the key's way, how many slots do what, which stayed on longest, how the
// battery took the starts, what is open.
func Sentence(c *protocol.Cycle) string {
	var b strings.Builder
	if key := keyWay(c); key != "" {
		b.WriteString("The key went " + key + ". ")
	} else {
		b.WriteString("The key was not seen to move. ")
	}
	b.WriteString(report.Tally(c))
	if s := longestOn(c); s != "" {
		b.WriteString(" " + s)
	}
	if s := report.Battery(c); s != "" {
		b.WriteString(" " + s)
	}
	if !c.Final {
		b.WriteString(" The cycle goes on: this may still change.")
	}
	return printable(b.String())
}

// keyWay lists the positions in their order, many turns shortened.
func keyWay(c *protocol.Cycle) string {
	var words []string
	for i, k := range c.Key {
		if i == 12 {
			words = append(words, fmt.Sprintf("and %d moves more", len(c.Key)-i))
			break
		}
		words = append(words, "to "+report.Position(k.Position))
	}
	return strings.Join(words, ", then ")
}

// longestOn names the slot that stayed live longest after key-off.
func longestOn(c *protocol.Cycle) string {
	var most *protocol.CycleSlot
	for i := range c.Slots {
		if s := &c.Slots[i]; s.StaysOnS != nil && (most == nil || *s.StaysOnS > *most.StaysOnS) {
			most = s
		}
	}
	switch {
	case most == nil || report.OffAfter(most) == "at once":
		return ""
	case most.StaysOnOpen:
		return fmt.Sprintf("Longest after key-off: %s, %s.", most.Slot, report.OffAfter(most))
	}
	return fmt.Sprintf("Longest after key-off: %s stayed live for %s.", most.Slot, report.OffAfter(most))
}
