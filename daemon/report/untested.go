package report

import (
	"fmt"
	"slices"
	"strings"

	"keyturn/protocol"
)

// NotTested lists what a key cycle does not show, so that nobody takes it for shown. The
// bench's description may be nil.
func NotTested(c *protocol.Cycle, d *protocol.Description) []string {
	var out []string
	add := func(text string) {
		if text != "" {
			out = append(out, text)
		}
	}
	switch {
	case !c.Final:
		add("The key cycle is still open: a later revision may say more.")
	case c.Ended == protocol.EndedInterrupted:
		add("The bench restarted before the key cycle was over.")
	case c.Ended == protocol.EndedNext:
		add("The next key cycle began before every slot had settled.")
	}
	add(notVisited(c))
	add(notStarted(c))
	for _, x := range []struct {
		text string
		is   func(*protocol.CycleSlot) bool
	}{
		{"Not proven: %s.", func(s *protocol.CycleSlot) bool { return s.Behaviour == protocol.NotProven }},
		{"Permanent as long as they were watched, and no longer: %s.", func(s *protocol.CycleSlot) bool { return s.Behaviour == protocol.Permanent }},
		{"Still live when the watch ended: %s.", func(s *protocol.CycleSlot) bool { return s.StaysOnOpen }},
		{"No volts, but a switch that nobody worked may give them: %s.", func(s *protocol.CycleSlot) bool { return s.Behaviour == protocol.NoVolts }},
		{"Some changes are not listed: %s.", func(s *protocol.CycleSlot) bool {
			return slices.ContainsFunc(s.Leads, func(l protocol.CycleLead) bool { return l.LeftOut > 0 })
		}},
		{"No lead tells of: %s.", func(s *protocol.CycleSlot) bool { return len(s.Leads) == 0 }},
	} {
		if names := slotsThat(c, x.is); names != "" {
			add(fmt.Sprintf(x.text, names))
		}
	}
	add(blind(c))
	if d != nil {
		add(notInCycle(c, d))
	}
	add("Nothing was loaded: what fuse, contact and wiring can still give, and what else hangs on a circuit, was not tested.")
	return out
}

func slotsThat(c *protocol.Cycle, is func(*protocol.CycleSlot) bool) string {
	var names []string
	for i := range c.Slots {
		if is(&c.Slots[i]) {
			names = append(names, c.Slots[i].Slot)
		}
	}
	return strings.Join(names, ", ")
}

func visited(c *protocol.Cycle, p protocol.Position) bool {
	return slices.ContainsFunc(c.Key, func(k protocol.KeyMove) bool { return k.Position == p })
}

func notVisited(c *protocol.Cycle) string {
	var missed []string
	for _, p := range []protocol.Position{protocol.PositionAccessory, protocol.PositionOn, protocol.PositionStart, protocol.PositionRunning} {
		if !visited(c, p) {
			missed = append(missed, Position(p))
		}
	}
	if n := len(c.Key); n == 0 || c.Key[n-1].Position != protocol.PositionOff {
		missed = append(missed, "off again")
	}
	if len(missed) == 0 {
		return ""
	}
	return "Key positions not seen: " + strings.Join(missed, "; ") + "."
}

// notStarted says what is not known of the starts.
func notStarted(c *protocol.Cycle) string {
	if !visited(c, protocol.PositionStart) {
		return "No start was seen: nothing is known of falls while cranking."
	}
	if c.Battery == nil {
		return "The battery's own fall while cranking was not measured: there was no battery sense lead."
	}
	n := 0
	for _, k := range c.Battery.Crank {
		if k.Sag == nil {
			n++
		}
	}
	switch n {
	case 0:
		return ""
	case len(c.Battery.Crank):
		return "No start could be measured."
	}
	return fmt.Sprintf("%d of %d starts could not be measured.", n, len(c.Battery.Crank))
}

// blindLeastS is the shortest time unseen that is told of.
const blindLeastS = 0.1

// blind tells of the slots that were watched for less than the others.
func blind(c *protocol.Cycle) string {
	var most protocol.Seconds
	for i := range c.Slots {
		most = max(most, c.Slots[i].WatchedS)
	}
	var names []string
	for i := range c.Slots {
		s := &c.Slots[i]
		if lost := float64(most - s.WatchedS); lost >= blindLeastS {
			names = append(names, fmt.Sprintf("%s (%s)", s.Slot, Seconds(lost)))
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "Not seen for a time, for their leads were blind: " + strings.Join(names, ", ") + "."
}

func notInCycle(c *protocol.Cycle, d *protocol.Description) string {
	var missed []string
	for _, s := range d.Slots {
		if !slices.ContainsFunc(c.Slots, func(x protocol.CycleSlot) bool { return x.Slot == s.Slot }) {
			missed = append(missed, s.Slot)
		}
	}
	if len(missed) == 0 {
		return ""
	}
	return "Slots of the bench that the key cycle says nothing of: " + strings.Join(missed, ", ") + "."
}
