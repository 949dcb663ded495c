package judge

import "testing"

// A joint that loses too much at its fuse's rating is a bad joint to people, and what does not
// do what the box file says has a word.
func TestReasonsOfJointsAndBoxFilesAreNamed(t *testing.T) {
	no := false
	slot := FeedSlot{
		Slot: Slot{Name: "f01", Behaviour: Ignition, StaysOn: &Time{S: 0.1}, OffInStart: &no, Lowest: &Dip{V: 10}}, RatingA: 30, FeedSide: "left",
		FuseType: "8820-3-C", LoadA: 1, Basis: LoadWorstCase, Expected: Ignition,
	}
	bad, other := slot, slot
	bad.Path, other.Expected = &Path{MOhm: 50, UMOhm: 1}, Accessory
	for _, x := range []struct {
		slot   FeedSlot
		text   string
		result Result
	}{
		{bad, "no, bad joint", FullMarks},
		{bad, "no, high resistance", FullMarks},
		{bad, "no, too little to spare", PartMarks},
		{other, "no, not as in the box file", FullMarks},
		{other, "no, bad joint", PartMarks},
		{slot, "no, bad joint", NoMarks},
	} {
		q := Question{ID: "a", Asks: AsksFeed, Slot: "f01", Marks: 4, Want: Want{Switched: true, CurrentA: 1, MinimumV: 7, AddedType: "8820-3-C"}}
		said, err := q.Read(x.text)
		if err != nil {
			t.Fatal(err)
		}
		m := MarkSheet([]Question{q}, []Found{{FeedSlot: x.slot}}, &AnswerSheet{Given: []Given{{Question: "a", Said: said}}}).Marks[0]
		if m.Result != x.result || m.RatingA != 30 || m.Expected != x.slot.Expected {
			t.Errorf("%q: %+v", x.text, m)
		}
	}
}
