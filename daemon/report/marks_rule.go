package report

import (
	"fmt"
	"strings"

	"keyturn/daemon/handbook"
	"keyturn/daemon/judge"
)

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
			is, _, _ := strings.Cut(t.Words, ":")
			words, source = append(words, t.Number+" = "+is), t.Source
		}
	}
	return fmt.Sprintf("%s (%s)", strings.Join(words, ", "), source)
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
