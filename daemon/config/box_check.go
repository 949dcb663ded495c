package config

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// What a box file may hold at most; its slots are bounded by slotsMax.
const (
	rowsMax     = 32
	columnsMax  = 32
	coilPinsMax = 64
	// beyondV is where high voltage begins: no box from it on is touched.
	beyondV = 60
	// ratingMaxA is far above any fuse of a 12 V box.
	ratingMaxA = 500
	// staysOnMaxS is a day.
	staysOnMaxS = 86400
)

func behaviours() []string {
	return []string{"permanent", "ignition", "accessory", "start-only", "engine-running", "awake", "switch-operated", "none"}
}

// avoidReasons are circuits that nobody may touch who is not trained for them.
func avoidReasons() []string {
	return []string{"airbag", "belt-tensioner", "abs", "brakes", "steering", "engine-management", "transmission", "other"}
}

// check notes every fault of a box in f, and in lacks what a draft may still lack.
func (b *Box) check(f, lacks *faults) {
	if n := len(b.Slots); n > slotsMax {
		f.at("slot", "", "%d times [[slot]]; at most %d", n, slotsMax)
		return
	}
	if n := len(b.CoilPins); n > coilPinsMax {
		f.at("coil_pin", "", "%d times [[coil_pin]]; at most %d", n, coilPinsMax)
		return
	}
	f.id("", "id", b.ID)
	f.text("", "title", b.Title, "title")
	b.checkSigned(f)
	b.checkWhole(f, lacks)
	b.checkCoilPins(f, lacks)
	if len(b.Slots) == 0 {
		f.at("", "", "no slot; add [[slot]] with id, kind, rating_a, row, column and what it should do")
	}
	ids, places := map[string]bool{}, map[string]bool{}
	for i := range b.Slots {
		s, at := &b.Slots[i], fmt.Sprintf("slot[%d]", i)
		f.id(at, "id", s.ID)
		f.once(ids, at, "id", fmt.Sprintf("%q", s.ID), "slot")
		f.text(at, "legend", s.Legend, "legend")
		b.checkPlace(f, lacks, at, s)
		if s.Row > 0 && s.Column > 0 {
			f.once(places, at, "column", fmt.Sprintf("the place in row %d, column %d", s.Row, s.Column), "slot")
		}
		s.checkFuse(f, lacks, at)
		s.checkContacts(f, lacks, at)
		s.checkExpected(f, lacks, at)
		s.checkAvoid(f, lacks, at)
		b.checkControl(f, at, s)
	}
}

// checkSigned notes a finished file that nobody signed, and a draft that somebody did.
func (b *Box) checkSigned(f *faults) {
	f.text("", "signed_by", b.SignedBy, "name")
	_, err := time.Parse(time.DateOnly, b.SignedOn)
	switch {
	case b.Draft && b.SignedBy+b.SignedOn != "":
		f.at("", "draft", "a draft is not signed; once every slot was answered remove this line, before that signed_by and signed_on")
	case b.Draft:
	case b.SignedBy == "":
		f.at("", "signed_by", "missing; write who answers for this file, or draft = true at the top")
	case err != nil:
		f.at("", "signed_on", "%q is no date; write when it was signed, like \"2026-11-02\"", b.SignedOn)
	}
}

// checkWhole notes what is wrong with the box as a whole.
func (b *Box) checkWhole(f, lacks *faults) {
	if b.Datum == "" {
		lacks.at("", "datum", `missing; write how the box is held, like "label upright, hinge at top"`)
	}
	f.text("", "datum", b.Datum, "datum")
	word(f, lacks, "", "zone", b.Zone, "a zone", []string{ZoneCabin, ZoneEngineBay})
	switch {
	case b.HighestV == 0:
		lacks.at("", "highest_v", "missing; write the highest nominal voltage in the box, like 12")
	case b.HighestV >= beyondV:
		f.at("", "highest_v", "%g V is refused; nothing at all is done on %d V and above: leave it to who is trained for high voltage", b.HighestV, beyondV)
	default:
		f.within("", []bound{{"highest_v", b.HighestV, 1, beyondV, "usually 12"}})
	}
	if b.OrangeCable {
		f.at("", "orange_cable", "refused; nothing at all is done on orange cable: leave it to who is trained for high voltage")
	}
	for _, x := range []struct {
		key    string
		n, max int
	}{{"rows", b.Rows, rowsMax}, {"columns", b.Columns, columnsMax}} {
		switch {
		case x.n == 0:
			lacks.at("", x.key, "missing; write how many %s of slots there are, 1 to %d", x.key, x.max)
		case x.n < 0 || x.n > x.max:
			f.at("", x.key, "%d is out of range; write 1 to %d", x.n, x.max)
		}
	}
}

// word notes a word that is not among the known ones, in lacks if it is missing, and
// reports whether it is.
func word(f, lacks *faults, table, key, word, what string, known []string) bool {
	if word == "" {
		lacks.at(table, key, "missing; write one of %s", strings.Join(known, ", "))
		return false
	}
	return f.oneOf(table, key, word, what, known)
}

func (b *Box) checkCoilPins(f, lacks *faults) {
	seen, used := map[string]bool{}, map[string]bool{}
	for i := range b.Slots {
		for _, id := range b.Slots[i].CoilPins {
			used[id] = true
		}
	}
	for i, p := range b.CoilPins {
		at := fmt.Sprintf("coil_pin[%d]", i)
		f.id(at, "id", p.ID)
		f.once(seen, at, "id", fmt.Sprintf("%q", p.ID), "coil pin")
		word(f, lacks, at, "drive", p.Drive, "what makes a relay pull in", []string{"positive", "earth"})
		// A 12 V relay's coil has 70 to 120 ohm (common practice, no published source).
		f.within(at, []bound{{"current_max_a", p.CurrentMaxA, 0.01, 2, "usually 0.2"}})
		if !used[p.ID] {
			lacks.at(at, "id", "%q switches no slot; name it under coil_pins of one, or remove it", p.ID)
		}
	}
}

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
		f.at(at, "outputs", "%s has two contacts and no outputs of its own; remove them, or write kind = \"three-blade\"", s.Kind)
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
