package report

import (
	"testing"

	"keyturn/daemon/judge"
)

func TestQuestionsInWords(t *testing.T) {
	for _, x := range []struct {
		q    judge.Question
		want string
	}{
		{judge.Question{Asks: judge.AsksBehaviour, Slot: "t1"}, "What does slot t1 do at each position of the key?"},
		{judge.Question{Asks: judge.AsksFeedSide, Slot: "t1", Sides: []string{"upper", "lower"}}, "Which is the feed side of slot t1: upper or lower?"},
		{judge.Question{Asks: judge.AsksVolts, Slot: "t1", Position: "running"}, "Key in on, engine running: is slot t1 live, without volts, or a ghost, and what does the meter show?"},
		{judge.Question{Asks: judge.AsksLowest, Slot: "t1"}, "What is the lowest voltage of slot t1 while cranking?"},
		{judge.Question{Asks: judge.AsksStaysOn, Slot: "t1"}, "How long after key-off does slot t1 go off?"},
		{judge.Question{Asks: judge.AsksFeed, Slot: "t1", Want: judge.Want{Switched: true, CurrentA: 0.8}}, "Would you take a switched feed of 0.8 A from slot t1? If not, why not?"},
		{judge.Question{Asks: judge.AsksFeed, Slot: "t1", Want: judge.Want{CurrentA: 2}}, "Would you take a permanent feed of 2 A from slot t1? If not, why not?"},
		{judge.Question{Asks: judge.AsksFault, Slots: []string{"t1", "t2", "t3"}}, "Which of the slots t1, t2 and t3 are faulty, and how?"},
		{judge.Question{Asks: judge.AsksMayProbe, Slot: "t1"}, "May slot t1 be probed?"},
	} {
		if got := Question(&x.q); got != x.want {
			t.Errorf("%q, want %q", got, x.want)
		}
	}
}
