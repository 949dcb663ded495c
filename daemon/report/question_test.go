package report

import (
	"strings"
	"testing"

	"keyturn/daemon/judge"
)

func TestQuestionsInWords(t *testing.T) {
	for _, x := range []struct {
		q    judge.Question
		want string
	}{
		{judge.Question{Asks: judge.AsksBehaviour, Slot: "t1"}, "Which kind of circuit is slot t1?"},
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

// Every answer to press is read as itself, and the words beside it explain it.
func TestChoicesInWords(t *testing.T) {
	q := judge.Question{Asks: judge.AsksBehaviour, Slot: "t1"}
	seen := map[string]bool{}
	for _, word := range judge.Choices(&q) {
		text := Choice(&q, word)
		if _, err := q.Read(word); err != nil || text == "" || seen[text] {
			t.Errorf("%q: %q, %v", word, text, err)
		}
		seen[text] = true
	}
	for _, want := range []string{"permanent (30): live in every position, always", "live with the ignition on (15)", "awake: live until the vehicle falls asleep, some time after key-off", "intermittent: comes and goes by itself"} {
		if !seen[want] {
			t.Errorf("no %q in %v", want, seen)
		}
	}
	if got := Choice(&judge.Question{Asks: judge.AsksFeedSide, Sides: []string{"upper", "lower"}}, "upper"); got != "upper" {
		t.Error(got)
	}
	if got := AnswerForm(&judge.Question{Asks: judge.AsksFeed}); !strings.Contains(got, " · stays on too long · ") {
		t.Error(got)
	}
}
