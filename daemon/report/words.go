// Package report puts documents into words, rows and remarks for people: one
// wording for terminal, sheet and dashboard.
//
// It is pure. It judges nothing that the document does not say, and it never
// says "dead" of a slot: people read "no volts", for dead is a finding that must
// be proved.
package report

import (
	"fmt"
	"math"
	"strings"

	"keyturn/protocol"
)

// Behaviour says what a slot does, the terminal number after the words.
func Behaviour(s *protocol.CycleSlot) string {
	switch s.Behaviour {
	case protocol.Permanent:
		return fmt.Sprintf("permanent: live all %s watched (30)", Seconds(float64(s.WatchedS)))
	case protocol.Ignition:
		return "live with the ignition on (15)"
	case protocol.Accessory:
		return "live from accessory on (75)"
	case protocol.StartOnly:
		return "live only while starting (50)"
	case protocol.EngineRunning:
		return "live only with the engine running"
	case protocol.Awake:
		return "live while the vehicle is awake"
	case protocol.SwitchOperated:
		return "works from another switch"
	case protocol.Intermittent:
		return "comes and goes by itself"
	case protocol.NoVolts:
		return "no volts in any position"
	case protocol.NotProven:
		return "not proven: " + either(s.Possible)
	}
	return string(s.Behaviour)
}

// possible names a behaviour within a sentence.
func possible(b protocol.Behaviour) string {
	switch b {
	case protocol.NoVolts:
		return "no volts at all"
	case protocol.StartOnly:
		return "only while starting"
	case protocol.EngineRunning:
		return "only with the engine running"
	}
	return string(b)
}

func either(bs []protocol.Behaviour) string {
	var words []string
	for _, b := range bs {
		words = append(words, possible(b))
	}
	return list(words, "or")
}

// Position says where the key stands.
func Position(p protocol.Position) string {
	switch p {
	case protocol.PositionRunning:
		return "on, engine running"
	case protocol.PositionStart:
		return "start"
	}
	return string(p)
}

// State says what is known of a slot.
func State(s protocol.State) string {
	if s == protocol.Dead {
		return "no volts"
	}
	return string(s)
}

// Source says where a key position is known from.
func Source(s protocol.Source) string {
	switch s {
	case protocol.SourceLead:
		return "seen on its lead"
	case protocol.SourceOperator:
		return "told by the operator"
	case protocol.SourceScript:
		return "set by the script"
	case protocol.SourceInferred:
		return "concluded"
	}
	return string(s)
}

// Remarks lists what else a fitter should know of a slot.
func Remarks(s *protocol.CycleSlot) []string {
	var out []string
	switch s.Fuse {
	case protocol.FuseOut:
		out = append(out, "measured with the fuse out")
	case protocol.FuseBlown:
		out = append(out, "measured with a blown fuse")
	}
	if s.OffInStart != nil && *s.OffInStart {
		out = append(out, "off while cranking")
	}
	for _, x := range s.Seen {
		switch x {
		case protocol.SeenPulsed:
			out = append(out, "pulsed: switched on and off fast")
		case protocol.SeenTestPulses:
			out = append(out, "short test pulses")
		case protocol.SeenRunDown:
			out = append(out, "runs down slowly after off")
		case protocol.SeenGhost:
			out = append(out, "ghost: volts without strength when off")
		case protocol.SeenIntermittent:
			if s.Behaviour != protocol.Intermittent {
				out = append(out, "contact lost for a moment")
			}
		}
	}
	if text := source(s.Source); text != "" {
		out = append(out, text)
	}
	if len(s.DecidedBy) > 0 {
		var p []string
		for _, x := range s.DecidedBy {
			p = append(p, Position(x))
		}
		out = append(out, "to decide, turn the key to "+list(p, "and"))
	}
	return out
}

// source says what stands behind a slot's volts; empty where that was not tested.
func source(s *protocol.SlotSource) string {
	if s == nil {
		return ""
	}
	path := ""
	if s.PathMOhm != nil && s.PathUMOhm != nil {
		path = fmt.Sprintf(" %.0f ± %.0f mΩ from the battery", float64(*s.PathMOhm), max(1, 2*float64(*s.PathUMOhm)))
		if s.IncludesProbe {
			path += " (includes the probe)"
		}
	}
	at := " with the key at " + Position(s.Position)
	switch s.Finding {
	case protocol.SourceFeed:
		return "a real feed" + at + colon(path)
	case protocol.SourceHighResistance:
		return "high resistance, a real feed behind a bad joint," + at + colon(path)
	case protocol.SourceGhost:
		return "ghost: its volts collapse under a resistor" + at
	case protocol.SourceNotProven:
		return "the joint is not proven good or bad" + at + colon(path)
	}
	return "no volts to be tested" + at
}

func colon(text string) string {
	if text == "" {
		return ""
	}
	return ":" + text
}

// list joins words as people do.
func list(words []string, last string) string {
	switch n := len(words); n {
	case 0:
		return ""
	case 1:
		return words[0]
	default:
		return strings.Join(words[:n-1], ", ") + " " + last + " " + words[n-1]
	}
}

// Seconds writes a time in the unit people use: milliseconds to one decimal
// below a second, seconds to one decimal below a minute, then minutes.
func Seconds(s float64) string {
	switch {
	case s < 0.9995:
		return fmt.Sprintf("%.1f ms", s*1e3)
	case s < 59.95:
		return fmt.Sprintf("%.1f s", s)
	default:
		m, rest := math.Modf(math.Round(s) / 60)
		if sec := math.Round(rest * 60); sec > 0 {
			return fmt.Sprintf("%.0f min %.0f s", m, sec)
		}
		return fmt.Sprintf("%.0f min", m)
	}
}

// Lowest says how low a slot fell in a cycle's starts; empty if it was not
// measured.
func Lowest(s *protocol.CycleSlot) string {
	least := LowestSag(s.Leads...)
	if least == nil {
		return ""
	}
	return sagText(least)
}

// LowestSag is the deepest of the starts of a slot's leads; nil if none was measured.
func LowestSag(leads ...protocol.CycleLead) *protocol.Sag {
	var least *protocol.Sag
	for _, l := range leads {
		for _, k := range l.Crank {
			if k.Sag != nil && (least == nil || k.MinV < least.MinV) {
				least = k.Sag
			}
		}
	}
	return least
}

// BatterySag is the deepest start of the battery sense lead; nil if none was measured.
func BatterySag(c *protocol.Cycle) *protocol.Sag {
	if c.Battery == nil {
		return nil
	}
	return LowestSag(*c.Battery)
}

func sagText(s *protocol.Sag) string {
	if s.AtOrBelow {
		return fmt.Sprintf("at or below %.1f V", float64(s.MinV))
	}
	return fmt.Sprintf("%.2f V", float64(s.MinV))
}

// OnAfter says how long after the key's move a slot went live; empty if it never
// did, or was live before.
func OnAfter(c *protocol.Cycle, s *protocol.CycleSlot) string {
	t, k := Follows(c, s)
	if t == nil {
		return ""
	}
	return soon(float64(t.AtNS-k.AtNS) * 1e-9)
}

// Follows returns the transition by which a slot went live with the key, and the key's
// move; nil if it never did, or was live before.
func Follows(c *protocol.Cycle, s *protocol.CycleSlot) (*protocol.Edge, *protocol.KeyMove) {
	switch s.Behaviour {
	case protocol.Permanent, protocol.Awake, protocol.SwitchOperated, protocol.Intermittent:
		return nil, nil // it does not follow the key
	}
	for _, l := range s.Leads {
		for i := range l.Transitions {
			t := &l.Transitions[i].Edge
			if t.State != protocol.Live {
				continue
			}
			var key *protocol.KeyMove
			for k := range c.Key {
				if c.Key[k].AtNS <= t.AtNS+50e6 {
					key = &c.Key[k]
				}
			}
			if key == nil || t.AtNS-key.AtNS > 2e9 {
				return nil, nil
			}
			return t, key
		}
	}
	return nil, nil
}

// OffAfter says how long a slot stayed live after key-off; empty where that does
// not apply.
func OffAfter(s *protocol.CycleSlot) string {
	switch {
	case s.StaysOnS == nil:
		return ""
	case s.StaysOnOpen:
		return "still on after " + Seconds(float64(*s.StaysOnS))
	}
	return soon(float64(*s.StaysOnS))
}

// atOnce is a delay that is the travel of relays and key contacts: no finding.
const atOnce = 0.020

func soon(s float64) string {
	if s < atOnce {
		return "at once"
	}
	return Seconds(s)
}
