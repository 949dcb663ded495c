package evidence

import (
	"slices"

	"keyturn/daemon/config"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// tapFuse is the type of fuse that the tap of an exercise holds: the commonest.
const tapFuse = "8820-3-C"

// Questions takes from an exercise what its answers are read and marked by. The exercise
// fits the box.
func Questions(e *config.Exercise, box *config.Box) []judge.Question {
	var out []judge.Question
	for i := range e.Questions {
		q := &e.Questions[i]
		x := judge.Question{ID: q.ID, Asks: judge.Asks(q.Asks), Slot: q.Slot, Slots: q.Slots, Position: q.Key, Marks: q.Marks}
		if s := box.Slot(q.Slot); s != nil {
			x.Sides = s.Sides()
			if s.Blades() == 3 {
				x.Sides = append([]string{middle}, x.Sides...)
			}
			if !slices.ContainsFunc(e.Faults, func(p config.PlantedFault) bool { return p.Slot == s.ID }) {
				x.Expected = judge.Behaviour(s.Expected)
			}
		}
		if w := q.Want; w != nil {
			x.Want = judge.Want{Switched: w.Feed == "switched", CurrentA: w.CurrentA, MinimumV: w.MinimumV, RidesThroughS: w.RidesThroughS, AddedType: tapFuse}
			if w.OffWithinS > 0 {
				x.Want.OnAfterOffMostS = &w.OffWithinS
			}
		}
		for _, h := range q.Hints {
			x.HintCosts = append(x.HintCosts, h.Cost)
		}
		out = append(out, x)
	}
	return out
}

// middle is the feed of three blades.
const middle = "middle"

// Meter is a hand meter of an exercise.
func Meter(m *config.HandMeter) judge.Meter {
	return judge.Meter{ReadingsPerS: m.ReadingsPerS, IntegratesS: m.IntegratesMS / 1000, Averages: m.Averages, HoldsLowest: m.HoldsLowest, Percent: m.Percent, Counts: m.Counts, DigitV: m.DigitV}
}

// Found takes from a key cycle, the box file and the exercise what answers are marked
// against. A slot that bears no lead is in it as far as the box file knows it: whether it
// may be probed.
func Found(c *protocol.Cycle, box *config.Box, e *config.Exercise, loads map[string]Load) []judge.Found {
	var out []judge.Found
	measured := map[string]bool{}
	for i, s := range FeedSlots(c, box, loads) {
		measured[s.Name] = true
		f := judge.Found{FeedSlot: s, Levels: levels(&c.Slots[i]), Wave: wave(c.Slots[i].Leads)}
		f.Sound, f.Fault = tested(&c.Slots[i], box.Slot(s.Name), e)
		out = append(out, f)
	}
	for i := range box.Slots {
		if id := box.Slots[i].ID; !measured[id] {
			f := judge.Found{FeedSlot: judge.FeedSlot{Slot: judge.Slot{Name: id}}}
			known(&f.FeedSlot, box)
			out = append(out, f)
		}
	}
	return out
}

// tested says whether a slot is sound, as far as bleed resistor, test load and key cycle
// tell. A planted fault counts only where the bench bears it out: the relay may have
// stuck, the instructor may have been called away. A back-feed shows in no key cycle.
func tested(s *protocol.CycleSlot, b *config.BoxSlot, e *config.Exercise) (judge.Answer, judge.Amiss) {
	finding := protocol.SourceNotProven
	if s.Source != nil {
		finding = s.Source.Finding
	}
	k := slices.IndexFunc(e.Faults, func(p config.PlantedFault) bool { return p.Slot == s.Slot })
	switch planted := k >= 0; {
	case finding == protocol.SourceHighResistance && (!planted || e.Faults[k].Kind == config.SeriesResistance):
		return judge.No, judge.HighResistance
	case finding == protocol.SourceFeed && !planted:
		return judge.Yes, ""
	case planted && e.Faults[k].Kind == config.OpenCircuit && s.Behaviour == protocol.NoVolts && b != nil && b.Expected != string(protocol.NoVolts):
		return judge.No, judge.OpenCircuit
	}
	return judge.NotKnown, ""
}
