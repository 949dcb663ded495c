package config

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// What an exercise file may hold at most.
const (
	questionsMax = 64
	plantedMax   = 16
	hintsMax     = 8
	metersMax    = 8
	rulesMax     = 16
	gradeMax     = 5
	marksMax     = 20
	// sentenceMax is the longest sentence for people, in bytes.
	sentenceMax = 240
)

// Cautions that an exercise must name; report has their words.
const (
	CautionBattery = "battery" // shorts across the battery or supply
	CautionMeter   = "meter"   // the meter on volts, its leads in the sockets for volts
	CautionEngine  = "engine"  // a start, and an engine that runs
	CautionHot     = "hot"     // resistors and loads get hot
	CautionAvoided = "avoided" // airbags and the like are never probed
)

// CautionWords are the cautions that a file may name.
func CautionWords() []string {
	return []string{CautionBattery, CautionMeter, CautionEngine, CautionHot, CautionAvoided}
}

func asked() []string {
	return []string{AsksBehaviour, AsksFeedSide, AsksVolts, AsksLowest, AsksStaysOn, AsksFeed, AsksFault, AsksMayProbe}
}

// check notes every fault that shows without the box.
func (e *Exercise) check(f *faults) {
	if !e.checkCounts(f) {
		return
	}
	f.id("", "id", e.ID)
	if e.Title == "" {
		f.at("", "title", "missing; write what is practised, in a few words")
	}
	f.text("", "title", e.Title, "title")
	if e.Grade < 1 || e.Grade > gradeMax {
		f.at("", "grade", "%d is no grade; write 1 (first steps) to %d (finding faults)", e.Grade, gradeMax)
	}
	switch {
	case e.BoxFile == "":
		f.at("", "box", `missing; write the box file, relative to this one, like "../boxes/trainer-8.toml"`)
	case len(e.BoxFile) > textMax:
		f.at("", "box", "a file name of %d bytes; write at most %d", len(e.BoxFile), textMax)
	}
	word(f, f, "", "subject", e.Subject, "a subject", []string{offVehicle, onVehicle})
	e.checkCautions(f)
	for i := range e.Meters {
		e.Meters[i].check(f, fmt.Sprintf("meter[%d]", i))
	}
	e.checkIDs(f)
	for i := range e.Faults {
		e.checkPlanted(f, fmt.Sprintf("fault[%d]", i), &e.Faults[i])
	}
	for i := range e.Questions {
		e.Questions[i].check(f, fmt.Sprintf("question[%d]", i))
	}
}

func (e *Exercise) checkCounts(f *faults) bool {
	ok := true
	for _, x := range []struct {
		list   string
		n, max int
	}{{"question", len(e.Questions), questionsMax}, {"fault", len(e.Faults), plantedMax}, {"meter", len(e.Meters), metersMax}, {"house_rules", len(e.HouseRules), rulesMax}, {"cautions", len(e.Cautions), rulesMax}} {
		if x.n > x.max {
			f.at(x.list, "", "%d times %s; at most %d", x.n, x.list, x.max)
			ok = false
		}
	}
	for i := range e.Questions {
		if n := len(e.Questions[i].Hints); n > hintsMax {
			f.at(fmt.Sprintf("question[%d]", i), "hint", "%d hints; at most %d", n, hintsMax)
			ok = false
		}
		if n := len(e.Questions[i].Slots); n > slotsMax {
			f.at(fmt.Sprintf("question[%d]", i), "slots", "%d slots; at most %d", n, slotsMax)
			ok = false
		}
	}
	if len(e.Questions) == 0 {
		f.at("", "", "no question; add [[question]] with id, asks, slot and marks")
	}
	return ok
}

// checkCautions notes cautions that there are not, and those that are missing for what
// is done.
func (e *Exercise) checkCautions(f *faults) {
	for _, c := range e.Cautions {
		f.oneOf("", "cautions", c, "a caution", CautionWords())
	}
	need := func(caution, why string) {
		if !slices.Contains(e.Cautions, caution) {
			f.at("", "cautions", "%q is missing; add it, for %s", caution, why)
		}
	}
	need(CautionBattery, "whoever measures can short the battery or supply")
	need(CautionMeter, "a meter on amperes is a short")
	if e.Subject == onVehicle {
		need(CautionEngine, "the engine of a vehicle is started")
	}
	if slices.ContainsFunc(e.Faults, func(p PlantedFault) bool { return p.Kind != OpenCircuit }) {
		need(CautionHot, "a planted resistor gets hot")
	}
	if slices.ContainsFunc(e.Questions, func(q Question) bool { return q.Asks == AsksMayProbe }) {
		need(CautionAvoided, "circuits are asked about that nobody may touch")
	}
	for _, r := range e.HouseRules {
		f.sentence("", "house_rules", r, "rule")
	}
}

// sentence notes a text for people that is missing, too long or not one line.
func (f *faults) sentence(table, key, text, what string) {
	switch {
	case text == "":
		f.at(table, key, "an empty text is no %s; write a sentence, or leave it out", what)
	case len(text) > sentenceMax || strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }):
		f.at(table, key, "%q is no %s; write at most %d bytes of one line", cut(text, sentenceMax), what, sentenceMax)
	}
}

func (m *HandMeter) check(f *faults, at string) {
	f.id(at, "id", m.ID)
	f.text(at, "title", m.Title, "title")
	f.within(at, []bound{
		{"readings_per_s", m.ReadingsPerS, 0.1, 10000, "usually 3 to 4 of a hand meter"},
		{"averages", float64(m.Averages), 1, 100, "usually 1"},
		{"percent", m.Percent, 0, 10, "as its papers say"},
		{"counts", m.Counts, 0, 100, "as its papers say"},
		{"digit_v", m.DigitV, 0, 1, "as its display shows, like 0.01"},
		{"integrates_ms", m.IntegratesMS, 0, 10000, "as its papers say"},
	})
	// A hair for figures like 3.3333.
	if m.ReadingsPerS > 0 && m.IntegratesMS > 1001/m.ReadingsPerS {
		f.at(at, "integrates_ms", "%g ms are longer than a reading lasts (%.4g ms); correct one of them", m.IntegratesMS, 1000/m.ReadingsPerS)
	}
}

// checkIDs notes ids that two have, and questions that need what the file lacks.
func (e *Exercise) checkIDs(f *faults) {
	meters, questions, planted := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for i, m := range e.Meters {
		f.once(meters, fmt.Sprintf("meter[%d]", i), "id", fmt.Sprintf("%q", m.ID), "meter")
	}
	for i, p := range e.Faults {
		f.once(planted, fmt.Sprintf("fault[%d]", i), "slot", fmt.Sprintf("%q", p.Slot), "planted fault")
		if p.Line != "" {
			f.once(planted, fmt.Sprintf("fault[%d]", i), "line", fmt.Sprintf("%q", p.Line), "planted fault")
		}
	}
	for i, q := range e.Questions {
		at := fmt.Sprintf("question[%d]", i)
		f.once(questions, at, "id", fmt.Sprintf("%q", q.ID), "question")
		if len(e.Meters) == 0 && (q.Asks == AsksVolts || q.Asks == AsksLowest) {
			f.at(at, "asks", "volts without a meter; add [[meter]] with what its papers say")
		}
	}
}

func (q *Question) check(f *faults, at string) {
	f.id(at, "id", q.ID)
	f.within(at, []bound{{"marks", q.Marks, 0.5, marksMax, ""}})
	if q.Text != "" {
		f.sentence(at, "text", q.Text, "question")
	}
	costs := 0.0
	for i := range q.Hints {
		h, hint := &q.Hints[i], fmt.Sprintf("%s.hint[%d]", at, i)
		f.sentence(hint, "text", h.Text, "hint")
		f.within(hint, []bound{{"cost", h.Cost, 0, marksMax, ""}})
		costs += h.Cost
	}
	if costs > q.Marks {
		f.at(at, "hint", "all hints together cost %g, more than the question's marks, %g; lower them", costs, q.Marks)
	}
	if !word(f, f, at, "asks", q.Asks, "a question", asked()) {
		return
	}
	// What a question has beside its slot, and which question has it.
	for _, x := range []struct {
		key, of string
		there   bool
	}{{"slots", AsksFault, len(q.Slots) > 0}, {"key", AsksVolts, q.Key != ""}, {"want", AsksFeed, q.Want != nil}} {
		switch of := q.Asks == x.of; {
		case of && !x.there:
			f.at(at, x.key, "missing; a question that asks %s needs it", x.of)
		case !of && x.there:
			f.at(at, x.key, "only of a question that asks %s; remove it, or correct asks", x.of)
		}
	}
	q.checkParts(f, at)
}

// checkParts checks what only some questions have.
func (q *Question) checkParts(f *faults, at string) {
	switch {
	case q.Asks == AsksFault && q.Slot != "":
		f.at(at, "slot", "which slot is faulty is asked; write slots = [...], those to look at")
	case q.Asks != AsksFault && q.Slot == "":
		f.at(at, "slot", "missing; write the slot of the box that is asked about")
	}
	for i, s := range q.Slots {
		if slices.Contains(q.Slots[:i], s) {
			f.at(at, "slots", "%q stands twice; write each slot once", s)
		}
	}
	if q.Asks == AsksVolts && q.Key != "" {
		f.oneOf(at, "key", q.Key, "a key position in which to measure at rest", []string{"off", "accessory", "on", "running"})
	}
	if w := q.Want; w != nil && q.Asks == AsksFeed {
		word(f, f, at+".want", "feed", w.Feed, "a kind of feed", []string{"permanent", "switched"})
		f.within(at+".want", []bound{
			{"current_a", w.CurrentA, 0.001, 100, "the most that the accessory draws"},
			{"minimum_v", w.MinimumV, 0, 60, "below which it stops"},
			{"rides_through_s", w.RidesThroughS, 0, 3600, ""},
			{"off_within_s", w.OffWithinS, 0, staysOnMaxS, ""},
		})
	}
}
