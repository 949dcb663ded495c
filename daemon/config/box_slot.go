package config

import (
	"fmt"
	"slices"
	"strings"
)

// This file checks one slot of a box.

// checkPlace notes a slot that is nowhere or outside the grid.
func (b *Box) checkPlace(f, lacks *faults, at string, s *BoxSlot) {
	for _, x := range []struct {
		key        string
		n, of, max int
	}{{"row", s.Row, b.Rows, rowsMax}, {"column", s.Column, b.Columns, columnsMax}} {
		most := x.max
		if x.of >= 1 && x.of <= x.max {
			most = x.of
		}
		switch {
		case x.n == 0:
			lacks.at(at, x.key, "missing; write where the slot is, from 1 at the top left with the box held as datum says")
		case x.n < 0 || x.n > most:
			f.at(at, x.key, "%d is outside the grid; write 1 to %d", x.n, most)
		}
	}
}

// checkFuse notes a kind that there is not and a rating that is not made.
func (s *BoxSlot) checkFuse(f, lacks *faults, at string) {
	var names []string
	for _, k := range FuseKinds() {
		names = append(names, k.Name)
	}
	known := word(f, lacks, at, "kind", s.Kind, "a kind of fuse", names)
	kind, _ := fuseKind(s.Kind)
	switch {
	case s.RatingA == 0:
		lacks.at(at, "rating_a", "missing; write what the lid says, in amperes")
	case !known || len(kind.RatingsA) == 0:
		f.within(at, []bound{{"rating_a", s.RatingA, 0.1, ratingMaxA, ""}})
	case !slices.Contains(kind.RatingsA, s.RatingA):
		f.at(at, "rating_a", "%g A is not made as %s (%s); write one of %v", s.RatingA, s.Kind, kind.What, kind.RatingsA)
	}
}

// axes are how the contacts of a slot may lie, each with its two ends.
func axes() map[string][]string {
	return map[string][]string{"left-right": sides()[:2], "upper-lower": sides()[2:]}
}

// Sides are the outer contacts of a slot: left and right, or upper and lower; none
// while it is not known how they lie.
func (s *BoxSlot) Sides() []string { return axes()[s.Contacts] }

// checkContacts notes sides that a slot does not have, and outputs that do not suit
// its kind.
func (s *BoxSlot) checkContacts(f, lacks *faults, at string) {
	word(f, lacks, at, "contacts", s.Contacts, "how contacts lie", []string{"left-right", "upper-lower"})
	ends := s.Sides()
	kind, known := fuseKind(s.Kind)
	three := kind.Blades == 3
	switch {
	case three && s.FeedSide != "":
		f.at(at, "feed_side", "three blades have their feed in the middle; remove it")
	case s.FeedSide != "" && len(ends) > 0:
		f.oneOf(at, "feed_side", s.FeedSide, "a side of contacts that lie "+s.Contacts, ends)
	case s.FeedSide != "":
		f.oneOf(at, "feed_side", s.FeedSide, "a side", sides())
	}
	switch n := len(s.Outputs); {
	case three && n == 0:
		lacks.at(at, "outputs", "missing; three blades have two: write outputs = [{side = \"...\", legend = \"...\"}, {side = \"...\", legend = \"...\"}]")
	case three && n != 2:
		f.at(at, "outputs", "%d outputs; three blades have two, one on each side of the feed: write both", n)
	case known && !three && n > 0:
		f.at(at, "outputs", "%s has two contacts and no outputs of its own; remove them, or write kind = %q", s.Kind, threeBlades)
	}
	for i := range min(len(s.Outputs), 2) {
		o, out := &s.Outputs[i], fmt.Sprintf("%s.outputs[%d]", at, i)
		f.text(out, "legend", o.Legend, "legend")
		switch {
		case len(ends) > 0 && !f.oneOf(out, "side", o.Side, "a side of contacts that lie "+s.Contacts, ends):
		case i == 1 && o.Side == s.Outputs[0].Side:
			f.at(out, "side", "%q is that of the other output; give each its own", o.Side)
		}
	}
}

// checkExpected notes limits out of range, and such as cannot be of what the slot
// should do.
func (s *BoxSlot) checkExpected(f, lacks *faults, at string) {
	nowhere := s.avoided() && s.Control == ControlNetwork
	switch {
	case nowhere && s.Expected != "":
		f.at(at, "expected", "a slot that is avoided and switched by the network can be measured nowhere; remove expected, or correct avoid or control")
	case !nowhere:
		word(f, lacks, at, "expected", s.Expected, "what a slot may do", behaviours())
	}
	limits := []bound{{"stays_on_min_s", s.StaysOnMinS, 0, staysOnMaxS, ""}}
	if s.StaysOnMaxS != nil {
		limits = append(limits, bound{"stays_on_max_s", *s.StaysOnMaxS, 0.001, staysOnMaxS, ""})
		if *s.StaysOnMaxS < s.StaysOnMinS {
			f.at(at, "stays_on_max_s", "%g is below stays_on_min_s, %g; correct one of them", *s.StaysOnMaxS, s.StaysOnMinS)
		}
	}
	f.within(at, limits)
	if timeless(s.Expected) || nowhere {
		const not = "cannot be of a slot that is %s; remove it or correct expected"
		if s.StaysOnMinS != 0 {
			f.at(at, "stays_on_min_s", not, s.is())
		}
		if s.StaysOnMaxS != nil {
			f.at(at, "stays_on_max_s", not, s.is())
		}
	}
	if s.OffInStart != nil && (startless(s.Expected) || nowhere) {
		f.at(at, "off_in_start", "cannot be said of a slot that is %s; remove it or correct expected", s.is())
	}
}

// timeless reports whether a slot does not end some time after key-off.
func timeless(expected string) bool {
	return slices.Contains([]string{"permanent", "start-only", "none"}, expected)
}

// startless reports whether a slot has no volts before a start that it could lose.
func startless(expected string) bool {
	return slices.Contains([]string{"start-only", "engine-running", "none"}, expected)
}

// is names what a slot should do within a fault.
func (s *BoxSlot) is() string {
	if s.Expected == "" {
		return "measured nowhere"
	}
	return s.Expected
}

func (s *BoxSlot) checkAvoid(f, lacks *faults, at string) {
	const todo = "write no, or why nobody may touch it: %s"
	reasons := strings.Join(avoidReasons(), ", ")
	switch s.Avoid {
	case AvoidNo:
	case "":
		lacks.at(at, "avoid", "missing; "+todo, reasons)
	case AvoidUnknown:
		lacks.at(at, "avoid", "not answered yet; "+todo, reasons)
	default:
		f.oneOf(at, "avoid", s.Avoid, "no and no reason to avoid a slot", append([]string{AvoidNo}, avoidReasons()...))
	}
}

// avoided reports whether a person said that nobody may touch it.
func (s *BoxSlot) avoided() bool {
	return s.Avoid != "" && s.Avoid != AvoidNo && s.Avoid != AvoidUnknown
}

func (b *Box) checkControl(f *faults, at string, s *BoxSlot) {
	f.oneOf(at, "control", s.Control, "what switches a slot", []string{ControlDirect, ControlCoilPins, ControlNetwork})
	var pins []string
	for _, p := range b.CoilPins {
		pins = append(pins, p.ID)
	}
	switch n := len(s.CoilPins); {
	case n > coilPinsMax:
		f.at(at, "coil_pins", "%d pins; at most %d", n, coilPinsMax)
		return
	case s.Control == ControlCoilPins && n == 0:
		f.at(at, "coil_pins", "missing; write which pins make its relay pull in, like [\"x1-4\"], and a [[coil_pin]] for each")
	case s.Control != ControlCoilPins && n > 0:
		f.at(at, "coil_pins", "pins of a slot whose control is %s; remove them, or write control = \"coil-pins\"", s.Control)
	}
	for i, id := range s.CoilPins {
		if slices.Contains(s.CoilPins[:i], id) {
			f.at(at, "coil_pins", "%q stands twice; write each pin once", id)
			return
		}
		if !f.oneOf(at, "coil_pins", id, "among the coil pins", pins) {
			return
		}
	}
}
