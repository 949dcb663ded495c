package report

import (
	"math"
	"strings"
	"testing"

	"keyturn/daemon/config"
	"keyturn/daemon/judge"
)

func TestMarksInWords(t *testing.T) {
	for _, x := range []struct {
		name string
		mark judge.Mark
		want MarkText
	}{
		{"a start that the meter cannot see", judge.Mark{Asks: judge.AsksLowest, Result: judge.FullMarks, Code: judge.Right, Lesson: judge.MeterTooSlow, Of: 4, Got: 3, HintCost: 1, Low: 9.791, High: 10.4, Allowed: 0.63, WireV: 7.5},
			MarkText{"3 of 4 marks, hints took 1", "right: of this start the meter shows 9.79 to 10.40 V, ± 0.63 V are right; the wire fell to 7.50 V",
				"a start begins with a dip that stays at its bottom for 15.0 ms (ISO 16750-2:2023, 4.6.3, as given by a public catalogue of standards)",
				"this meter cannot see the dip: to see it, take one that records the lowest within a few milliseconds, or read the bench"}},
		{"ruled out, and which it is was not seen", judge.Mark{Asks: judge.AsksBehaviour, Result: judge.NoMarks, Code: judge.Wrong, Lesson: judge.VisitEach, Of: 2, Found: "not-proven"},
			MarkText{"0 of 2 marks", "not right: what was measured rules it out; which it is was not proven",
				"30 = straight from battery plus, 15 = live with the ignition on, 50 = starter control (DIN 72552, as given by public tables of terminal numbers)",
				"measure in off, accessory, on and start, each by itself, and with the engine running"}},
		{"a behaviour near it", judge.Mark{Asks: judge.AsksBehaviour, Result: judge.PartMarks, Code: judge.Related, Lesson: judge.VisitEach, Of: 2, Got: 1, Found: "accessory"},
			MarkText{"1 of 2 marks", "it follows the key, but in other positions: live from accessory on (75)",
				"30 = straight from battery plus, 15 = live with the ignition on, 50 = starter control (DIN 72552, as given by public tables of terminal numbers)",
				"measure in off, accessory, on and start, each by itself, and with the engine running"}},
		{"a time", judge.Mark{Asks: judge.AsksStaysOn, Result: judge.NoMarks, Code: judge.Wrong, Lesson: judge.TimeIt, Of: 4, Low: 240, High: 240, Allowed: 24.6},
			MarkText{"0 of 4 marks", "not right: it went off 4 min after key-off, ± 24.6 s are right",
				"right is what the uncertainties of both sides allow, k = 2 (JCGM 100:2008, G.3), and what two turns of the key differ by (common practice, no published source)",
				"start the stopwatch with the click of the key, and stop it when the volts fall"}},
		{"never", judge.Mark{Asks: judge.AsksStaysOn, Result: judge.FullMarks, Code: judge.Right, Of: 2, Got: 2, Low: 600, High: math.Inf(1), Allowed: 60},
			MarkText{"2 of 2 marks", "right: still live after 10 min", "", ""}},
		{"live, answered as live", judge.Mark{Asks: judge.AsksVolts, Result: judge.FullMarks, Code: judge.Right, Of: 2, Got: 2, Low: 12.383, High: 12.383, Allowed: 0.24},
			MarkText{"2 of 2 marks", "right: the bench read 12.38 V, ± 0.24 V are right", "", ""}},
		{"live, answered as no volts", judge.Mark{Asks: judge.AsksVolts, Result: judge.NoMarks, Code: judge.Wrong, Lesson: judge.ProveTestProve, Of: 2, Low: 12.383, High: 12.383, Allowed: 0.24},
			MarkText{"0 of 2 marks", "not right: the bench read 12.38 V, ± 0.24 V are right", "no volts is a finding: prove the meter, test, prove it again (common practice, no published source)", "prove the meter on the battery, test, and prove it again"}},
		{"no volts", judge.Mark{Asks: judge.AsksVolts, Result: judge.NoMarks, Code: judge.Wrong, Lesson: judge.LoadIt, Of: 2, Found: "none"},
			MarkText{"0 of 2 marks", "not right: the bench found no volts", "a ghost has volts and no strength, and counts as no volts (common practice, no published source)", "load it with a test lamp: a feed holds, a ghost collapses"}},
		{"a ghost", judge.Mark{Asks: judge.AsksVolts, Result: judge.FullMarks, Code: judge.Right, Of: 2, Got: 2, Found: "ghost"},
			MarkText{"2 of 2 marks", "right: the bench found a ghost", "", ""}},
		{"a ghost's volts", judge.Mark{Asks: judge.AsksLowest, Result: judge.NotMarked, Code: judge.GhostFigure, Of: 2},
			MarkText{"not marked", "a ghost: its volts are those of the meter, and no figure is right or wrong", "of a ghost the decision is marked, not the figure (common practice, no published source)", ""}},
		{"not measured", judge.Mark{Asks: judge.AsksFeedSide, Result: judge.NotMarked, Code: judge.NotMeasuredHere, Of: 2},
			MarkText{"not marked", "the bench did not measure it", "what the bench could not measure is never called wrong", ""}},
		{"a feed and its drawback", judge.Mark{Asks: judge.AsksFeed, Result: judge.PartMarks, Code: judge.Drawback, Lesson: judge.NameTheReason, Of: 4, Got: 2, Found: "accessory", Reasons: []judge.Reason{{Code: judge.UnfedInStart, Weight: judge.Against, Value: 1.2}}},
			MarkText{"2 of 4 marks", "it would do, with a drawback to be named: off for 1.2 s while cranking; it would restart",
				"a feed is chosen for its reasons: when it is live, what it has to spare, what cranking does to it (common practice, no published source)",
				"say why: when it is live, what its fuse has to spare, and what cranking does to it"}},
		{"too little to spare", judge.Mark{Asks: judge.AsksFeed, Result: judge.NoMarks, Code: judge.Wrong, Lesson: judge.NameTheReason, Of: 4, Found: "ignition", Reasons: []judge.Reason{{Code: judge.TooLittleSpare, Weight: judge.Refuses, Value: 1, Limit: 5}}},
			MarkText{"0 of 4 marks", "not right: 1.0 A to spare, 5.0 A wanted",
				"all loads of a fuse come to at most 80 % of its rating in the passenger compartment (a vehicle maker's guideline for body builders, 2004 (common practice))",
				"say why: when it is live, what its fuse has to spare, and what cranking does to it"}},
		{"a joint that loses too much", judge.Mark{Asks: judge.AsksFeed, Result: judge.FullMarks, Code: judge.Right, Of: 4, Got: 4, Found: "ignition", RatingA: 30, Reasons: []judge.Reason{{Code: judge.JointLoses, Weight: judge.Refuses, Value: 1.5, Limit: 0.5}}},
			MarkText{"4 of 4 marks", "right: bad joint: its feed loses 1.50 V at the 30 A of its fuse, 0.5 V are the most", "", ""}},
		{"not as in the box file", judge.Mark{Asks: judge.AsksFeed, Result: judge.FullMarks, Code: judge.Right, Of: 4, Got: 4, Found: "ignition", Expected: judge.Permanent, Reasons: []judge.Reason{{Code: judge.NotAsInBox, Weight: judge.Against}}},
			MarkText{"4 of 4 marks", "right: the box file says permanent (30), it is live with the ignition on (15): find out why first", "", ""}},
		{"a circuit that is avoided", judge.Mark{Asks: judge.AsksMayProbe, Result: judge.NoMarks, Code: judge.Unsafe, Lesson: judge.LeaveItAlone, Danger: true, Of: 2},
			MarkText{"0 of 2 marks", "dangerous: this one must not be touched; speak with the instructor before anything else is measured",
				"nobody probes airbags, belt tensioners, brakes, steering or what runs the engine; the box file and the maker's papers say which slots those are (common practice, no published source)",
				"leave it alone: no probe, no load, no pulled fuse; choose another slot"}},
		{"faults", judge.Mark{Asks: judge.AsksFault, Result: judge.PartMarks, Code: judge.SlotOnly, Lesson: judge.MeasureUnderLoad, Of: 8, Got: 4, Faults: []judge.SlotFault{{Slot: "t3", Fault: judge.HighResistance}, {Slot: "t5", Fault: judge.OpenCircuit}}},
			MarkText{"4 of 8 marks", "not all of what is faulty, or not what is wrong with it: t3 has a bad joint, which falls under load; t5 has an open circuit",
				"a connection that carries much loses at most 0.1 V (a vehicle repair manual, which names SAE (common practice))",
				"switch each load on and measure the volt drop slot by slot, from the supply to the load"}},
		{"no faults", judge.Mark{Asks: judge.AsksFault, Result: judge.FullMarks, Code: judge.Right, Of: 4, Got: 4}, MarkText{"4 of 4 marks", "right: none of those tested is faulty", "", ""}},
		{"blank", judge.Mark{Asks: judge.AsksFeedSide, Result: judge.NoMarks, Code: judge.Blank, Lesson: judge.TakeTheFuseOut, Of: 2, Found: "left"},
			MarkText{"0 of 2 marks", "not answered: the feed side is left", "with the fuse in, both sides of a slot are one (common practice, no published source)", "take the fuse out and measure each contact against earth; the hot one is the feed side"}},
	} {
		if got := Mark(&x.mark); got != x.want {
			t.Errorf("%s:\n%+v\nwant\n%+v", x.name, got, x.want)
		}
	}
}

// Every reason, lesson and caution has words of its own, and none says dead.
func TestEveryReasonHasWords(t *testing.T) {
	seen := map[string]bool{}
	once := func(what, code, text string) {
		if text == "" || text == code && text != "right" || seen[text] || strings.Contains(text, "dead") {
			t.Errorf("%s %s: %q", what, code, text)
		}
		seen[text] = true
	}
	for _, c := range []judge.MarkCode{judge.Right, judge.Blank, judge.Wrong, judge.Near, judge.LowerSeen, judge.OneFace, judge.Related, judge.TooShort, judge.NoReason, judge.NoFigure, judge.Drawback, judge.SlotOnly,
		judge.TooWary, judge.Unsafe, judge.NotMeasuredHere, judge.LeftOpen, judge.GhostFigure, judge.NoWaveform, judge.TooUncertain} {
		once("reason", string(c), markCode(&judge.Mark{Code: c}))
	}
	for _, l := range []judge.Lesson{judge.MeterTooSlow, judge.WatchTheStart, judge.HoldTheLowest, judge.WhichMeter, judge.VisitEach, judge.StartAndRun, judge.WaitForSleep, judge.WorkTheSwitch, judge.MeasureTwice,
		judge.TakeTheFuseOut, judge.LoadIt, judge.ProveTestProve, judge.WatchToTheEnd, judge.TimeIt, judge.WriteTheVolts, judge.NameTheReason, judge.LeaveItAlone, judge.ReadTheBoxFile, judge.MeasureUnderLoad} {
		once("lesson", string(l), markNext(l))
	}
	for _, c := range config.CautionWords() {
		once("caution", c, Caution(c))
	}
	for want, m := range map[string]judge.Marks{"7.5 of 12 marks": {Got: 7.5, Of: 12}, "0 of 4 marks; 1 question is not marked: the bench could not tell": {Of: 4, NotMarked: 1}, "2 of 4 marks; 3 questions are not marked: the bench could not tell": {Got: 2, Of: 4, NotMarked: 3}} {
		if got := MarksTotal(&m); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
