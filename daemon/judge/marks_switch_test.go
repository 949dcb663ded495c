package judge

import "testing"

// A slot that a switch works, by its box file: unless the bench saw the switch worked,
// neither "switch-operated" nor what the slot happened to show is marked, and no answer
// gets marks by luck.
func TestASwitchThatNobodyWorkedIsNotMarked(t *testing.T) {
	for _, x := range []struct {
		expected, found Behaviour
		says            string
		want            Result
		code            MarkCode
	}{
		{SwitchOperated, NoVolts, "switch-operated", NotMarked, SwitchNotSeen},
		{SwitchOperated, NoVolts, "no volts", NotMarked, SwitchNotSeen},
		{SwitchOperated, NoVolts, "", NotMarked, SwitchNotSeen},
		{SwitchOperated, NoVolts, "permanent", NoMarks, Wrong},
		{SwitchOperated, Permanent, "permanent", NotMarked, SwitchNotSeen},
		{SwitchOperated, Permanent, "switch-operated", NotMarked, SwitchNotSeen},
		{SwitchOperated, Permanent, "ignition", NoMarks, Wrong},
		{SwitchOperated, SwitchOperated, "switch-operated", FullMarks, Right},
		{SwitchOperated, SwitchOperated, "no volts", PartMarks, OneFace},
		{SwitchOperated, Ignition, "ignition", FullMarks, Right}, // it is wired otherwise than the file says
		{"", NoVolts, "no volts", FullMarks, Right},
		{"", NoVolts, "switch-operated", NotMarked, LeftOpen},
		{NoVolts, NoVolts, "no volts", FullMarks, Right},
	} {
		q := Question{ID: "q", Asks: AsksBehaviour, Slot: "t6", Marks: 2, Expected: x.expected}
		said, err := q.Read(x.says)
		if err != nil {
			t.Fatal(err)
		}
		m := MarkSheet([]Question{q}, []Found{{FeedSlot: FeedSlot{Slot: Slot{Name: "t6", Behaviour: x.found}}}}, &AnswerSheet{Given: []Given{{Question: "q", Said: said}}})
		if got := m.Marks[0]; got.Result != x.want || got.Code != x.code {
			t.Errorf("expected %q, found %q, said %q: %s %s, want %s %s", x.expected, x.found, x.says, got.Result, got.Code, x.want, x.code)
		}
	}
}
