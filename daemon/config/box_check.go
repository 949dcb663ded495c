package config

import (
	"fmt"
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
