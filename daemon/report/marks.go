package report

import (
	"fmt"
	"math"
	"strings"

	"keyturn/daemon/handbook"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// MarkText is what is said of one answer.
type MarkText struct {
	Marks  string // "2 of 4 marks", or why there are none
	Reason string
	Rule   string // the standard or rule behind it; empty where none is needed
	Next   string // what to measure next time; empty where nothing is to be learned
}

// Mark says how an answer did.
func Mark(m *judge.Mark) MarkText {
	return MarkText{markLine(m), markReason(m), markRule(m), markNext(m.Lesson)}
}

// MarksTotal says how a sheet did.
func MarksTotal(m *judge.Marks) string {
	text := fmt.Sprintf("%g of %g marks", m.Got, m.Of)
	switch m.NotMarked {
	case 0:
		return text
	case 1:
		return text + "; 1 question is not marked: the bench could not tell"
	}
	return fmt.Sprintf("%s; %d questions are not marked: the bench could not tell", text, m.NotMarked)
}

func markLine(m *judge.Mark) string {
	if m.Result == judge.NotMarked {
		return "not marked"
	}
	text := fmt.Sprintf("%g of %g marks", m.Got, m.Of)
	if m.HintCost > 0 && m.Result != judge.NoMarks {
		text += fmt.Sprintf(", hints took %g", m.HintCost)
	}
	return text
}

// markReason says why, and what the bench found.
func markReason(m *judge.Mark) string {
	text := markCode(m)
	if found := markFound(m); found != "" && m.Result != judge.NotMarked {
		text += ": " + found
	}
	return text
}

func markCode(m *judge.Mark) string {
	switch m.Code {
	case judge.Right:
		return "right"
	case judge.Blank:
		return "not answered"
	case judge.Wrong:
		return "not right"
	case judge.Near:
		return "near, but outside what chance allows"
	case judge.LowerSeen:
		return "right, though the meter that was declared does not show so little"
	case judge.OneFace:
		return "what it shows at times, not all that it does"
	case judge.Related:
		return "it follows the key, but in other positions"
	case judge.TooShort:
		return "true, but not watched to the end"
	case judge.NoReason:
		return "decided right, without the reason"
	case judge.NoFigure:
		return "decided right, without the right volts"
	case judge.Drawback:
		return "it would do, with a drawback to be named"
	case judge.SlotOnly:
		return "not all of what is faulty, or not what is wrong with it"
	case judge.TooWary:
		return "safe, but this one may be probed"
	case judge.Unsafe:
		return "dangerous: this one must not be touched; speak with the instructor before anything else is measured"
	case judge.NotMeasuredHere:
		return "the bench did not measure it"
	case judge.LeftOpen:
		return "the bench saw too little to tell: the answer may be right"
	case judge.GhostFigure:
		return "a ghost: its volts are those of the meter, and no figure is right or wrong"
	case judge.NoWaveform:
		return "the bench kept no waveform: what this meter would have shown is not known"
	case judge.TooUncertain:
		return "the bench's own figure is too uncertain"
	}
	return string(m.Code)
}

// markFound says what the bench found; empty where the reason says it all.
func markFound(m *judge.Mark) string {
	switch m.Asks {
	case judge.AsksBehaviour:
		if m.Found != "" {
			return BehaviourName(protocol.Behaviour(m.Found))
		}
	case judge.AsksFeedSide:
		return "the feed side is " + m.Found
	case judge.AsksVolts:
		if m.Allowed > 0 {
			return fmt.Sprintf("the bench read %.2f V, ± %.2f V are right", m.Low, m.Allowed)
		}
	case judge.AsksLowest:
		return lowestFound(m)
	case judge.AsksStaysOn:
		switch {
		case m.Allowed == 0:
			return ""
		case math.IsInf(m.High, 1):
			return "still live after " + Seconds(m.Low)
		}
		return fmt.Sprintf("it went off %s after key-off, ± %s are right", soon(m.Low), Seconds(m.Allowed))
	case judge.AsksFeed:
		return reasonsFound(m)
	case judge.AsksFault:
		return faultsFound(m.Faults)
	}
	return ""
}

func lowestFound(m *judge.Mark) string {
	shows := fmt.Sprintf("%.2f V", m.High)
	if m.High-m.Low >= 0.005 {
		shows = fmt.Sprintf("%.2f to %.2f V", m.Low, m.High)
	}
	return fmt.Sprintf("of this start the meter shows %s, ± %.2f V are right; the wire fell to %.2f V", shows, m.Allowed, m.WireV)
}

// reasonsFound says what counts most against a slot; nothing where nothing does.
func reasonsFound(m *judge.Mark) string {
	c := &judge.Choice{Slot: judge.FeedSlot{Slot: judge.Slot{Behaviour: judge.Behaviour(m.Found)}}}
	var out []string
	for _, r := range m.Reasons {
		if r.Weight < judge.Speaks {
			out = append(out, because(c, r))
		}
	}
	return strings.Join(out, "; ")
}

func faultsFound(faults []judge.SlotFault) string {
	if len(faults) == 0 {
		return "none of those tested is faulty"
	}
	var out []string
	for _, f := range faults {
		out = append(out, f.Slot+" has "+plantedText(f.Fault))
	}
	return strings.Join(out, "; ")
}

func plantedText(a judge.Amiss) string {
	switch a {
	case judge.HighResistance:
		return "a bad joint, which falls under load"
	case judge.OpenCircuit:
		return "an open circuit"
	case judge.BackFed:
		return "a feed from its load side"
	}
	return string(a)
}

// markRule names the standard or rule that a mark rests on.
func markRule(m *judge.Mark) string {
	practice := handbook.Source{Standing: handbook.CommonPractice}
	if m.Result == judge.NotMarked && m.Code != judge.GhostFigure {
		return "what the bench could not measure is never called wrong"
	}
	switch m.Lesson {
	case judge.MeterTooSlow, judge.HoldTheLowest, judge.WhichMeter, judge.WatchTheStart:
		p := handbook.StartingProfiles()[0]
		return fmt.Sprintf("a start begins with a dip that stays at its bottom for %s (%s)", Seconds(p.DipHold.Seconds()), p.Source)
	case judge.VisitEach, judge.StartAndRun:
		return terminalRule("30", "15", "50")
	case judge.MeasureUnderLoad:
		for _, l := range handbook.VoltDropLimits() {
			if l.What == "connection that carries much" {
				return fmt.Sprintf("a %s loses at most %g V (%s)", l.What, l.MostV, l.Source)
			}
		}
	case judge.TimeIt, judge.WatchToTheEnd, judge.WriteTheVolts:
		return fmt.Sprintf("right is what the uncertainties of both sides allow, k = 2 (JCGM 100:2008, G.3), and what two turns of the key differ by (%s)", practice)
	case judge.NameTheReason:
		if share := handbook.AddOn(false); spareCounts(m.Reasons) {
			return fmt.Sprintf("all loads of a fuse come to at most %.0f %% of its rating in the %s (%s)", 100*share.Share, share.Place, share.Source)
		}
	}
	return ruleOfTrade(m, practice)
}

// ruleOfTrade is a rule that no standard has.
func ruleOfTrade(m *judge.Mark, practice handbook.Source) string {
	rule := ""
	switch m.Lesson {
	case judge.LoadIt:
		rule = "a ghost has volts and no strength, and counts as no volts"
	case judge.TakeTheFuseOut:
		rule = "with the fuse in, both sides of a slot are one"
	case judge.ProveTestProve:
		rule = "no volts is a finding: prove the meter, test, prove it again"
	case judge.WaitForSleep:
		rule = "control units sleep from seconds to an hour after key-off"
	case judge.LeaveItAlone, judge.ReadTheBoxFile:
		rule = "nobody probes airbags, belt tensioners, brakes, steering or what runs the engine; the box file and the maker's papers say which slots those are"
	case judge.NameTheReason:
		rule = "a feed is chosen for its reasons: when it is live, what it has to spare, what cranking does to it"
	}
	if m.Code == judge.GhostFigure {
		rule = "of a ghost the decision is marked, not the figure"
	}
	if rule == "" {
		return ""
	}
	return fmt.Sprintf("%s (%s)", rule, practice)
}

func spareCounts(reasons []judge.Reason) bool {
	for _, r := range reasons {
		if r.Code == judge.TooLittleSpare || r.Code == judge.NoFuseFits {
			return true
		}
	}
	return false
}

// terminalRule says what terminals are, by one standard.
func terminalRule(numbers ...string) string {
	var words []string
	var source handbook.Source
	for _, n := range numbers {
		if t, err := handbook.FindTerminal(n); err == nil {
			words, source = append(words, t.Words+" ("+t.Number+")"), t.Source
		}
	}
	return fmt.Sprintf("%s: %s", list(words, "and"), source)
}

// markNext says what to do next time.
func markNext(l judge.Lesson) string {
	switch l {
	case judge.MeterTooSlow:
		return "this meter cannot see the dip: to see it, take one that records the lowest within a few milliseconds, or read the bench"
	case judge.WatchTheStart:
		return "that is the voltage at rest: read while the engine cranks, or let the meter keep the lowest"
	case judge.HoldTheLowest:
		return "reset the meter's lowest before the key goes to start, and read it after; declare the meter that you use"
	case judge.WhichMeter:
		return "declare the meter that you read, and whether it keeps the lowest"
	case judge.VisitEach:
		return "measure in off, accessory, on and start, each by itself, and with the engine running"
	case judge.StartAndRun:
		return "measure while starting and with the engine running too"
	case judge.WaitForSleep:
		return "shut the doors and watch until nothing changes any more, an hour if need be"
	case judge.WorkTheSwitch:
		return "work every switch that its legend names, and measure in both positions"
	case judge.MeasureTwice:
		return "measure more than once, and move the fuse and the wires gently while you watch"
	case judge.TakeTheFuseOut:
		return "take the fuse out and measure each contact against earth; the hot one is the feed side"
	case judge.LoadIt:
		return "load it with a test lamp: a feed holds, a ghost collapses"
	case judge.ProveTestProve:
		return "prove the meter on the battery, test, and prove it again"
	case judge.WatchToTheEnd:
		return "watch until it has no volts, and write when; where it never goes off, write how long you watched"
	case judge.TimeIt:
		return "start the stopwatch with the click of the key, and stop it when the volts fall"
	case judge.WriteTheVolts:
		return "write what the meter shows beside the decision, with all its digits"
	case judge.NameTheReason:
		return "say why: when it is live, what its fuse has to spare, and what cranking does to it"
	case judge.LeaveItAlone:
		return "leave it alone: no probe, no load, no pulled fuse; choose another slot"
	case judge.ReadTheBoxFile:
		return "read the lid, the box file and the maker's papers before the meter comes out"
	case judge.MeasureUnderLoad:
		return "switch each load on and measure the volt drop slot by slot, from the supply to the load"
	}
	return ""
}
