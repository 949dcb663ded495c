package report

import (
	"fmt"
	"strings"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// Question asks what a question of an exercise asks, where the instructor wrote no words
// of his own.
func Question(q *judge.Question) string {
	switch q.Asks {
	case judge.AsksBehaviour:
		return fmt.Sprintf("Which kind of circuit is slot %s?", q.Slot)
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

// AnswerForm says how the answer of a question is written.
func AnswerForm(q *judge.Question) string {
	switch q.Asks {
	case judge.AsksVolts:
		return "Live, no volts or ghost, then the volts: “live 12.4 V”."
	case judge.AsksLowest:
		return "Volts, as your meter shows them: “9.8 V”."
	case judge.AsksStaysOn:
		return "A time: “4 s”, “2 min”; or “at once”; or “still live after 5 min”."
	case judge.AsksFeed:
		return "“Yes”, or “no” with the reason: " + strings.Join(feedWhys(q), " · ") + "."
	case judge.AsksFault:
		return "Slot and fault, with a semicolon between two: “" + q.Slots[0] + " open”; or “none”. One of: " + strings.Join(judge.FaultNames(), " · ") + "."
	}
	return ""
}

// feedWhys are the reasons against a feed, as they are written.
func feedWhys(q *judge.Question) (out []string) {
	for _, c := range judge.Choices(q) {
		if why, ok := strings.CutPrefix(c, "no, "); ok {
			out = append(out, why)
		}
	}
	return out
}

// Choice says what one of the few answers of a question means, beside the word itself;
// what a word leaves open is explained.
func Choice(q *judge.Question, word string) string {
	if q.Asks != judge.AsksBehaviour {
		return word
	}
	said, err := q.Read(word)
	switch {
	case err != nil:
		return word
	case said.Behaviour == judge.Permanent:
		return BehaviourName(protocol.Permanent) + ": live in every position, always"
	case said.Behaviour == judge.Awake:
		return "awake: live until the vehicle falls asleep, some time after key-off"
	case said.Behaviour == judge.Intermittent:
		return "intermittent: comes and goes by itself"
	case said.Behaviour == judge.NoVolts:
		return "no volts in any position"
	}
	return BehaviourName(protocol.Behaviour(said.Behaviour))
}

// MarksWorth says what a question is worth, or a hint costs.
func MarksWorth(marks float64) string {
	if marks == 1 {
		return "1 mark"
	}
	return fmt.Sprintf("%g marks", marks)
}
