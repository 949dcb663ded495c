package report

import (
	"fmt"
	"math"
	"strings"

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
	next := markNext(m.Lesson)
	if m.Code == judge.SwitchNotSeen {
		next = "with the key on, close and open every switch in the turn of the key that comes after handing in"
	}
	return MarkText{markLine(m), markReason(m), markRule(m), next}
}

// MarksTotal says how a sheet did.
func MarksTotal(m *judge.Marks) string {
	text := fmt.Sprintf("%g of %s", m.Got, MarksWorth(m.Of))
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
	text := fmt.Sprintf("%g of %s", m.Got, MarksWorth(m.Of))
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
	case judge.SwitchNotSeen:
		return "a switch works this slot, by its box file, and none was worked in the turn of the key that marked this"
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
		switch m.Found {
		case "":
		case string(protocol.NotProven):
			return "what was measured rules it out; which it is was not proven"
		default:
			return BehaviourName(protocol.Behaviour(m.Found))
		}
	case judge.AsksFeedSide:
		return "the feed side is " + m.Found
	case judge.AsksVolts:
		switch {
		case m.Found == string(judge.NoVolts):
			return "the bench found no volts"
		case m.Found == string(judge.Ghost):
			return "the bench found a ghost"
		case m.Allowed > 0:
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
	c := &judge.Choice{Slot: judge.FeedSlot{Slot: judge.Slot{Behaviour: judge.Behaviour(m.Found)}, RatingA: m.RatingA, Expected: m.Expected}}
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
