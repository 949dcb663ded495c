package evidence

import (
	"slices"
	"strings"
	"testing"

	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// A verdict says the same after it went through a document as before: every reason, every
// figure, and the lines about the whole box.
func TestVerdictThroughADocument(t *testing.T) {
	box := smallBox()
	for i := range box.Slots {
		box.Slots[i].Row, box.Slots[i].Column, box.Slots[i].Legend = 1, i+1, "Legend "+box.Slots[i].ID
	}
	box.Slots[0].Expected, box.Slots[0].Legend = "accessory", "Radio & clock"
	first, second, third := fusedRound(1, protocol.FuseIn), fusedRound(2, protocol.FuseOut), fusedRound(3, protocol.FuseIn)
	mohm, u := protocol.MilliOhms(402.3), protocol.MilliOhms(12.6)
	first.Slots[1].Source = &protocol.SlotSource{Finding: protocol.SourceHighResistance, Position: protocol.PositionOn, PathMOhm: &mohm, PathUMOhm: &u}
	slots, err := BoxSlots([]*protocol.Cycle{first, second, third}, box, false)
	if err != nil {
		t.Fatal(err)
	}
	limits := judge.DefaultLimits()
	limits.LeftOut, limits.FallV = []judge.Check{judge.CheckStart}, 0.7
	want := report.BoxVerdict{BoxVerdict: judge.JudgeBox(limits, slots), Box: box.ID, Legends: map[string]string{}}
	for _, s := range box.Slots {
		want.Legends[s.ID] = s.Legend
	}
	d := &protocol.Verdict{ID: "t-1", Revision: 1, BoxFileHash: strings.Repeat("a", 64), Rounds: 3}
	d.Bench, d.Boot, d.Stream, d.Seq, d.BenchRev = "b", "0123abcd", "s", 4, "r"
	Judge(d, &want.BoxVerdict, slots, box)
	if s := d.Slots[1]; !slices.Equal(s.Rounds, []int{1, 2, 3}) || s.Place.Column != 2 || s.Legend != "Legend f02" {
		t.Errorf("%+v", s)
	}
	text, err := protocol.Encode(d)
	if err != nil {
		t.Fatal(err)
	}
	back, err := protocol.Decode(text)
	if err != nil {
		t.Fatal(err)
	}
	got := Verdict(back.(*protocol.Verdict))
	if got.Table(120) != want.Table(120) {
		t.Errorf("through the document it says\n%s\nnot\n%s", got.Table(120), want.Table(120))
	}
	for _, says := range []string{"Radio & clock", "fails above 60 mΩ, or 20 mΩ above matching slots", "at most 0.7 V further down", "contact 402.3 mΩ", "should be live from accessory", "f03", "f04"} {
		if !strings.Contains(got.Table(200), says) {
			t.Errorf("it does not say %q:\n%s", says, got.Table(200))
		}
	}
}

// What only bounds a figure still does so behind the document.
func TestBoundThroughADocument(t *testing.T) {
	for _, b := range []judge.Bound{"", judge.AtLeast, judge.AtMost} {
		r := judge.VerdictReason{Code: judge.OnTooLong, Makes: judge.Fail, Value: 15, U: 0.5, Limit: 10, Bound: b}
		d := reasonDocument(&r)
		if back := reasonOf(&d); back != r {
			t.Errorf("%+v, want %+v", back, r)
		}
	}
}

// A document that does not say what it was held to shows no limits, rather than none.
func TestVerdictWithoutLimits(t *testing.T) {
	if v := Verdict(&protocol.Verdict{Slots: protocol.List[protocol.SlotVerdict]{{Slot: "f01", Reasons: protocol.List[protocol.VerdictReason]{{Reason: "avoided"}}}}}); strings.Contains(v.Table(100), "Limits") {
		t.Error(v.Table(100))
	}
}

// An outcome that a later program sends is not proven, never a pass.
func TestUnknownOutcomeProvesNothing(t *testing.T) {
	v := Verdict(&protocol.Verdict{Outcome: "splendid", Slots: protocol.List[protocol.SlotVerdict]{{Slot: "f01", Outcome: "new", Reasons: protocol.List[protocol.VerdictReason]{{Reason: "new"}}}}})
	if v.Outcome != judge.Unproven || v.Slots[0].Outcome != judge.Unproven {
		t.Errorf("%+v", v)
	}
}

// What passed before still passes when only the others were tested again; the box is as its
// worst slot is.
func TestCarryWhatWasNotTestedAgain(t *testing.T) {
	slot := func(id string, o protocol.Outcome, reason string, rounds ...int) protocol.SlotVerdict {
		return protocol.SlotVerdict{Slot: id, Outcome: o, Rounds: rounds, Reasons: protocol.List[protocol.VerdictReason]{{Reason: reason, Makes: o}}}
	}
	earlier := &protocol.Verdict{ID: "t-1", Slots: protocol.List[protocol.SlotVerdict]{
		slot("f01", protocol.OutcomePass, "as-expected", 1, 2), slot("f02", protocol.OutcomeFail, "no-volts", 1), slot("f03", protocol.OutcomeNotProven, "avoided")}}
	d := &protocol.Verdict{ID: "t-2", Slots: protocol.List[protocol.SlotVerdict]{
		slot("f01", protocol.OutcomeNotProven, "sides-not-tested", 1), slot("f02", protocol.OutcomeMarginal, "contact", 2), slot("f03", protocol.OutcomeNotProven, "avoided")}}
	Carry(d, earlier, []string{"f02"})
	if d.Slots[0].Outcome != protocol.OutcomePass || d.Slots[0].Test != "t-1" || d.Slots[1].Outcome != protocol.OutcomeMarginal || d.Slots[1].Test != "" {
		t.Errorf("%+v", d.Slots)
	}
	if d.Outcome != protocol.OutcomeNotProven || d.OfTested != protocol.OutcomeMarginal || d.Untested != 1 || d.Tested != (protocol.VerdictCount{Marginal: 1, Pass: 1}) {
		t.Errorf("%+v", d)
	}
	worse := &protocol.Verdict{ID: "t-4", LeftOut: protocol.List[protocol.Check]{protocol.CheckStart}, Slots: protocol.List[protocol.SlotVerdict]{slot("f01", protocol.OutcomeFail, "back-fed", 1)}}
	earlier.LeftOut = protocol.List[protocol.Check]{protocol.CheckContact, protocol.CheckStart}
	earlier.NotVisited = protocol.List[protocol.Position]{protocol.PositionRunning}
	if Carry(worse, earlier, []string{"f02"}); worse.Slots[0].Outcome != protocol.OutcomeFail || len(worse.LeftOut) != 2 || len(worse.NotVisited) != 1 || worse.Outcome != protocol.OutcomeFail {
		t.Errorf("found amiss though it passed before: %+v", worse)
	}
	again := &protocol.Verdict{ID: "t-3", Slots: d.Slots[:1:1]}
	Carry(again, d, nil)
	if again.Slots[0].Test != "t-1" {
		t.Errorf("after two tests it says %q", again.Slots[0].Test)
	}
}
