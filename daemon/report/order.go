package report

import (
	"fmt"
	"slices"
	"strings"

	"keyturn/protocol"
)

// followsWithin is how long after a key move a slot still comes live by it, in
// nanoseconds.
const followsWithin = 2e9

// came is a slot coming live.
type came struct {
	slot string
	edge *protocol.Edge
}

// Order says in which order the slots came live after the key was turned on, as
// far as that is certain: slots whose brackets touch stand together. It is empty
// where there is no order to tell.
func Order(c *protocol.Cycle) string {
	all := comingLive(c)
	var text strings.Builder
	groups := 0
	for i := range all {
		switch {
		case i == 0:
			text.WriteString(all[i].slot)
			groups = 1
		case certain(all[:i], all[i]):
			delay, u := all[i-1].edge.DelayTo(all[i].edge)
			fmt.Fprintf(&text, ", then after %.1f ms (± %s) %s", float64(delay), plusMinus(2*float64(u)), all[i].slot)
			groups++
		default:
			text.WriteString(" with " + all[i].slot)
		}
	}
	if groups < 2 {
		return ""
	}
	return "Live after key-on in this order: " + text.String() + "."
}

// certain reports whether all of the earlier ones came before the next.
func certain(earlier []came, next came) bool {
	return !slices.ContainsFunc(earlier, func(x came) bool { return !x.edge.Before(next.edge) })
}

// comingLive lists the slots that came live after the first move to on, by their
// estimates.
func comingLive(c *protocol.Cycle) []came {
	var on int64
	for _, k := range c.Key {
		if k.Position == protocol.PositionOn {
			on = k.AtNS
			break
		}
	}
	if on == 0 {
		return nil
	}
	var all []came
	for i := range c.Slots {
		s := &c.Slots[i]
		for _, l := range s.Leads {
			if k := slices.IndexFunc(l.Transitions, func(t protocol.Transition) bool {
				return t.State == protocol.Live && t.AtNS > on-followsWithin/40 && t.AtNS < on+followsWithin
			}); k >= 0 && s.Behaviour == protocol.Ignition {
				all = append(all, came{s.Slot, &l.Transitions[k].Edge})
				break
			}
		}
	}
	slices.SortStableFunc(all, func(a, b came) int { return int(a.edge.AtNS - b.edge.AtNS) })
	return all
}

// plusMinus writes a half-width in milliseconds to one decimal, rounded up: what
// is printed is never less than what is known.
func plusMinus(ms float64) string { return fmt.Sprintf("%.1f ms", up(ms, 1)) }
