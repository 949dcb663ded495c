package dashboard

import (
	"slices"

	"keyturn/daemon/judge"
	"keyturn/daemon/records"
	"keyturn/protocol"
)

// marksDocument is what is published of a marked answer sheet: no name, no answer, and
// nothing of what was found. The keeper is whoever publishes it.
func (e *exercise) marksDocument(sheet *records.AnswerSheet, c *protocol.Cycle, m *judge.Marks) *protocol.Marks {
	out := &protocol.Marks{
		Header: protocol.Header{Bench: c.Bench, Boot: c.Boot, MonoNS: c.MonoNS, Wall: c.Wall, WallErrMS: c.WallErrMS},
		Sheet:  sheet.ID, Attempt: sheet.Attempt, Revision: 1, // a sheet is marked once
		Exercise: e.file.ID, Cycle: c.ID, CycleRevision: c.Revision,
		MarksGiven: protocol.Points(m.Got), MarksPossible: protocol.Points(m.Of), NotMarked: m.NotMarked,
	}
	for i := range m.Marks {
		x, f := &m.Marks[i], &e.file.Questions[i]
		q := protocol.MarkedQuestion{ID: x.Question, Slots: slices.Clone(f.Slots), Asks: string(x.Asks),
			Marked: x.Result != judge.NotMarked, MarksPossible: protocol.Points(x.Of), Reason: string(x.Code), Lesson: protocol.OrNull(x.Lesson)}
		if x.Slot != "" {
			q.Slots = append(q.Slots, x.Slot)
		}
		if q.Marked {
			given := protocol.Points(x.Got)
			q.MarksGiven = &given
		}
		out.Questions = append(out.Questions, q)
	}
	return out
}
