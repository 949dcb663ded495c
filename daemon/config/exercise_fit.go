package config

import (
	"fmt"
	"slices"
)

// Fit holds the exercise to its box. text is that of the exercise file. The error is a
// Faults of it: slots that the box does not have or nobody may touch, questions without
// an answer, and resistors that would burn.
func (e *Exercise) Fit(text []byte, box *Box) error {
	f := &faults{lines: linesOf(text)}
	if box.Draft {
		f.at("", "box", "%q is a draft; finish and sign it: keyturn box validate tells what it lacks", e.BoxFile)
		return f.err()
	}
	for i := range e.Faults {
		e.fitFault(f, box, fmt.Sprintf("fault[%d]", i), &e.Faults[i])
	}
	for i := range e.Questions {
		e.fitQuestion(f, box, fmt.Sprintf("question[%d]", i), &e.Questions[i])
	}
	avoided := func(s BoxSlot) bool { return s.avoided() }
	if slices.ContainsFunc(box.Slots, avoided) && !slices.Contains(e.Cautions, CautionAvoided) {
		f.at("", "cautions", "%q is missing; add it, for box %s has slots that nobody may touch", CautionAvoided, box.ID)
	}
	if len(f.list) > 0 {
		return f.err()
	}
	return nil
}

// fitSlot notes a slot that there is not, or that bears no lead. An exercise never asks
// for one in a circuit that is avoided, with airbag units or without.
func (e *Exercise) fitSlot(f *faults, box *Box, at, key, slot string) bool {
	if !f.oneOf(at, key, slot, "a slot of box "+box.ID, box.slotIDs()) {
		return false
	}
	if why := box.Refuses(slot, e.Subject, false); why != "" {
		f.at(at, key, "%q (%s) is avoided (%s): of it only %s can be asked, and nothing is planted; ask about another slot", slot, box.Slot(slot).Legend, box.Slot(slot).Avoid, AsksMayProbe)
		return false
	}
	return true
}

func (b *Box) slotIDs() (ids []string) {
	for i := range b.Slots {
		ids = append(ids, b.Slots[i].ID)
	}
	return ids
}

// fitQuestion notes a question that has no answer on this box.
func (e *Exercise) fitQuestion(f *faults, box *Box, at string, q *Question) {
	for _, s := range q.Slots {
		e.fitSlot(f, box, at, "slots", s)
	}
	switch {
	case q.Asks == AsksFault:
		return
	case q.Asks == AsksMayProbe:
		f.oneOf(at, "slot", q.Slot, "a slot of box "+box.ID, box.slotIDs())
		return
	case !e.fitSlot(f, box, at, "slot", q.Slot):
		return
	}
	s := box.Slot(q.Slot)
	planted := slices.ContainsFunc(e.Faults, func(p PlantedFault) bool { return p.Slot == q.Slot })
	switch {
	case planted: // what it does then is for the bench to see
	case q.Asks == AsksStaysOn && slices.Contains([]string{"none", "start-only", "switch-operated"}, s.Expected):
		f.at(at, "asks", "%q should be %s and has no time after key-off; ask its behaviour", q.Slot, s.Expected)
	case q.Asks == AsksLowest && (startless(s.Expected) || s.Expected == "switch-operated" || s.OffInStart != nil && *s.OffInStart):
		f.at(at, "asks", "%q should be %s and has no volts while cranking to be read; ask its behaviour", q.Slot, s.duringStart())
	}
}

// duringStart says what a slot should do while cranking.
func (s *BoxSlot) duringStart() string {
	if s.OffInStart != nil && *s.OffInStart {
		return "off while cranking"
	}
	return s.Expected
}

// FitBench says what a bench lacks for the exercise, a sentence each: a lead in every slot
// that is asked about, none in a slot that is avoided.
func (e *Exercise) FitBench(b *Bench, box *Box) (lacks []string) {
	if b.Subject != e.Subject {
		lacks = append(lacks, fmt.Sprintf("the subject of the exercise is %s, that of bench %s is %s", e.Subject, b.ID, b.Subject))
	}
	if b.Box == nil || b.Box.ID != box.ID {
		lacks = append(lacks, fmt.Sprintf("the exercise is for box %s, which the file of bench %s does not name", box.ID, b.ID))
	}
	leads := map[string]int{}
	for i := range b.Leads {
		leads[b.Leads[i].Slot]++
	}
	for i := range box.Slots {
		if s := &box.Slots[i]; s.avoided() && leads[s.ID] > 0 {
			lacks = append(lacks, fmt.Sprintf("slot %s is avoided (%s) and has a lead: remove it for an exercise", s.ID, s.Avoid))
		}
	}
	seen := map[string]bool{}
	for i := range e.Questions {
		q := &e.Questions[i]
		for _, s := range append([]string{q.Slot}, q.Slots...) {
			if s == "" || q.Asks == AsksMayProbe || leads[s] > 0 || seen[s] {
				continue
			}
			seen[s] = true
			lacks = append(lacks, fmt.Sprintf("slot %s is asked about and has no lead: what nobody measures is not marked", s))
		}
	}
	return lacks
}
