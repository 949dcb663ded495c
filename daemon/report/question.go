package report

import (
	"fmt"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// Question asks what a question of an exercise asks, where the instructor wrote no words
// of his own.
func Question(q *judge.Question) string {
	switch q.Asks {
	case judge.AsksBehaviour:
		return fmt.Sprintf("What does slot %s do at each position of the key?", q.Slot)
	case judge.AsksFeedSide:
		return fmt.Sprintf("Which is the feed side of slot %s: %s?", q.Slot, list(q.Sides, "or"))
	case judge.AsksVolts:
		return fmt.Sprintf("Key in %s: is slot %s live, without volts, or a ghost, and what does the meter show?", Position(protocol.Position(q.Position)), q.Slot)
	case judge.AsksLowest:
		return fmt.Sprintf("What is the lowest voltage of slot %s while cranking?", q.Slot)
	case judge.AsksStaysOn:
		return fmt.Sprintf("How long after key-off does slot %s go off?", q.Slot)
	case judge.AsksFeed:
		kind := "permanent"
		if q.Want.Switched {
			kind = "switched"
		}
		return fmt.Sprintf("Would you take a %s feed of %g A from slot %s? If not, why not?", kind, q.Want.CurrentA, q.Slot)
	case judge.AsksFault:
		return fmt.Sprintf("Which of the slots %s are faulty, and how?", list(q.Slots, "and"))
	case judge.AsksMayProbe:
		return fmt.Sprintf("May slot %s be probed?", q.Slot)
	}
	return string(q.Asks)
}
