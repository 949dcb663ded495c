package protocol

import (
	"fmt"
	"strings"
)

// Marks is what an answer sheet of an exercise got, once it was marked. A record keeper
// whose server marks publishes it, until the broker has acknowledged it: who logs results
// drops what comes again by Sheet, Attempt and Revision. It names nobody and holds
// nothing that was answered; not retained, so that nothing stays at the broker when a
// user is deleted.
// Boot, MonoNS and Wall are those of the key cycle that it was marked by, for the server
// has no clock that a bench knows.
type Marks struct {
	Header
	Keeper string `json:"keeper"` // the record keeper's id, as in the topic
	// Sheet stands for the answer sheet. Whose it is stands in the keeper's records only,
	// while that user is not deleted; another attempt has another one.
	Sheet    string `json:"sheet"`
	Attempt  int64  `json:"attempt"`  // from 1
	Revision int    `json:"revision"` // of these marks, from 1; the highest wins
	Exercise string `json:"exercise"` // the id in the exercise file
	// Cycle and CycleRevision name the key cycle that it was marked by.
	Cycle         string `json:"cycle"`
	CycleRevision int    `json:"cycle_revision"`
	// MarksGiven and MarksPossible leave out the questions that are not marked.
	MarksGiven    Points               `json:"marks_given"`
	MarksPossible Points               `json:"marks_possible"`
	NotMarked     int                  `json:"not_marked"` // questions
	Questions     List[MarkedQuestion] `json:"questions"`
}

// MarkedQuestion is how one question did. Words may be added to Asks, Reason and Lesson
// within v1.
type MarkedQuestion struct {
	ID    string       `json:"id"`    // as in the exercise file
	Slots List[string] `json:"slots"` // that it asks of: one, or those among which a fault is to be found
	Asks  string       `json:"asks"`
	// Marked is false where the bench could not tell: neither right nor wrong.
	Marked bool `json:"marked"`
	// MarksGiven is null where it is not marked; what hints took is off already.
	MarksGiven    *Points `json:"marks_given"`
	MarksPossible Points  `json:"marks_possible"`
	Reason        string  `json:"reason"` // why: right, near, not-measured, ...
	Lesson        OrNull  `json:"lesson"` // what to do next time; null where nothing is to be learned
}

func (*Marks) kind() Kind         { return KindMarks }
func (m *Marks) levels() []string { return []string{m.Keeper} }

func (c *checker) marks(m *Marks) {
	c.id(m.Keeper, "keeper")
	c.id(m.Sheet, "sheet")
	c.id(m.Exercise, "exercise")
	c.need(m.Attempt >= 1, "attempt", "%d, want 1 or more", m.Attempt)
	c.need(m.Revision >= 1, "revision", "%d, want 1 or more", m.Revision)
	c.need(strings.HasPrefix(m.Cycle, prefix(m.Boot)+"-"), "cycle", "%q does not begin with its boot", clip(m.Cycle))
	c.need(m.CycleRevision >= 1, "cycle_revision", "%d, want 1 or more", m.CycleRevision)
	c.points(m.MarksGiven, m.MarksPossible, "marks_given")
	notMarked := 0
	for i := range m.Questions {
		q, at := &m.Questions[i], fmt.Sprintf("questions[%d].", i)
		c.id(q.ID, at+"id")
		c.id(q.Asks, at+"asks")
		c.id(q.Reason, at+"reason")
		for k, s := range q.Slots {
			c.id(s, fmt.Sprintf("%sslots[%d]", at, k))
		}
		c.need(q.Marked == (q.MarksGiven != nil), at+"marked", "%t, but its marks are there or not", q.Marked)
		given := Points(0)
		if q.MarksGiven != nil {
			given = *q.MarksGiven
		}
		c.points(given, q.MarksPossible, at+"marks_given")
		if !q.Marked {
			notMarked++
		}
	}
	c.need(m.NotMarked == notMarked, "not_marked", "%d, but %d of the questions are", m.NotMarked, notMarked)
}

func (c *checker) points(given, possible Points, where string) {
	c.need(given >= 0 && given <= possible, where, "%g of %g", float64(given), float64(possible))
}
