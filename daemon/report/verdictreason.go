package report

import (
	"fmt"
	"strings"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// VerdictReason says one reason of a verdict.
func VerdictReason(r *judge.VerdictReason) string {
	switch r.Code {
	case judge.Avoided:
		return untouchable
	case judge.Untestable:
		return needsNetwork
	case judge.NoLead:
		return "no lead was in it"
	case judge.AsExpected:
		return BehaviourName(protocol.Behaviour(r.Behaviour))
	case judge.WrongBehaviour:
		return fmt.Sprintf("should be %s, is %s", BehaviourName(protocol.Behaviour(r.Should)), BehaviourName(protocol.Behaviour(r.Behaviour)))
	case judge.NoVoltsFound:
		return "no volts"
	case judge.NoVoltsOrLeadOff:
		if r.Side != "" {
			return fmt.Sprintf("no volts on the %s side: dead or lead off", r.Side)
		}
		return "no volts: dead or lead off; see the lead live before and after"
	case judge.BehaviourNotProven:
		return "what it does is not proven: the key was not in every position that tells"
	case judge.SwitchNotWorked:
		return "not seen to work: use its own switch"
	case judge.FeedSideUnseen:
		return "measured with the fuse out, and no lead on the feed side"
	case judge.ComesAndGoes:
		return "intermittent: comes and goes by itself"
	case judge.ContactWasLost:
		return "contact lost for a moment: in the slot or at the lead"
	case judge.GhostFound:
		return "ghost: volts without strength"
	}
	return joinedText(r)
}

// joinedText says a reason that several rounds or slots make.
func joinedText(r *judge.VerdictReason) string {
	switch r.Code {
	case judge.RoundsDisagree:
		return "two rounds do not show the same: find out why, and measure again"
	case judge.RoundsNotJoined:
		return "nothing joins the rounds: keep one slot's lead in place through all of them"
	case judge.SlotsCrossed:
		if r.Other == "" {
			return "does what another slot should, and the other way round: leads crossed?"
		}
		return fmt.Sprintf("does what %s should, and the other way round: leads crossed?", r.Other)
	case judge.FeedSideFound:
		return "feed side: " + r.Side
	case judge.SidesCrossed:
		return fmt.Sprintf("fed on the %s side, which should be the other: leads crossed, or the box file is wrong", r.Side)
	case judge.SidesNotTested:
		return "sides not tested: two leads, once with the fuse in and once with it out"
	case judge.BackFedFound:
		return fmt.Sprintf("back-fed: live on its load side with the fuse out (key at %s)", Position(protocol.Position(r.Position)))
	case judge.Bridged:
		from := "another slot"
		if r.Other != "" {
			from = r.Other
		}
		return fmt.Sprintf("bridged: with the fuse out its load side is fed through %s (key at %s)", from, Position(protocol.Position(r.Position)))
	case judge.BlownFuse:
		return fmt.Sprintf("fuse blown or contact open: no volts on the %s side (key at %s); if a new one blows, look for a short to earth", r.Side, Position(protocol.Position(r.Position)))
	}
	return figureText(r)
}

// figureText says a reason that hangs on a figure, with what it was held to.
func figureText(r *judge.VerdictReason) string {
	switch r.Code {
	case judge.LiveInTime:
		if r.Bound == judge.AtLeast {
			return against(r, "not yet live "+after(r.Value, "the key"), seconds(2*r.U), "at most "+seconds(r.Limit))
		}
		return against(r, "live "+after(r.Value, "the key"), seconds(2*r.U), "at most "+seconds(r.Limit))
	case judge.LiveNotTimed:
		return "not timed when it comes live"
	case judge.OnTooLong:
		return against(r, off(r), seconds(2*r.U), "at most "+seconds(r.Limit))
	case judge.OffNotSeen:
		return fmt.Sprintf("%s (limit %s): watch longer", stillOn(r), seconds(r.Limit))
	case judge.OffTooEarly:
		return against(r, off(r), seconds(2*r.U), "at least "+seconds(r.Limit))
	case judge.StayNotTimed:
		return "not timed how long it stays on after key-off"
	case judge.DropsOut:
		return "off while cranking" + shouldNot(r)
	case judge.HoldsInStart:
		return "live while cranking" + shouldNot(r)
	case judge.StartNotSeen:
		return "no start was measured"
	case judge.Falls:
		return against(r, fmt.Sprintf("falls %.2f V%s further than the battery", max(0, r.Value), orBeyond(r.Bound)), fmt.Sprintf("%.2f V", 2*r.U), fmt.Sprintf("at most %g V", r.Limit))
	case judge.ContactResistance:
		return against(r, fmt.Sprintf("contact %.1f mΩ", r.Value), fmt.Sprintf("%.1f mΩ", 2*r.U), fmt.Sprintf("at most %g mΩ", r.Limit))
	case judge.ContactWithProbe:
		text := against(r, fmt.Sprintf("contact with the probe's %.1f mΩ", r.Value), fmt.Sprintf("%.1f mΩ", 2*r.U), fmt.Sprintf("at most %g mΩ", r.Limit))
		if r.Makes == judge.Marginal || r.Makes == judge.Unproven {
			text += ": give the load a wire of its own"
		}
		return text
	case judge.ContactAbove:
		return against(r, fmt.Sprintf("contact %.1f mΩ above matching slots", r.Value), fmt.Sprintf("%.1f mΩ", 2*r.U), fmt.Sprintf("at most %g mΩ", r.Limit))
	case judge.ContactNotTested:
		return "contact resistance not measured: no test load drew a current from it"
	case judge.ContactNotCompared:
		return "contact not compared: matching slots were not measured"
	}
	return string(r.Code)
}

// against puts a figure beside what it was held to, with the expanded uncertainty (k = 2)
// unless that changes nothing.
func against(r *judge.VerdictReason, figure, plusMinus, limit string) string {
	if r.Makes == judge.Pass || r.U == 0 {
		return fmt.Sprintf("%s (%s)", figure, limit)
	}
	return fmt.Sprintf("%s (± %s, %s)", figure, plusMinus, limit)
}

// off says when a slot went off after key-off, as far as that was seen.
func off(r *judge.VerdictReason) string {
	if r.Bound == judge.AtLeast {
		return stillOn(r)
	}
	return "off " + after(r.Value, "key-off")
}

func stillOn(r *judge.VerdictReason) string {
	return "still on " + seconds(r.Value) + " after key-off when last seen"
}

// orBeyond follows a figure that is only a bound.
func orBeyond(b judge.Bound) string {
	switch b {
	case judge.AtLeast:
		return " or more"
	case judge.AtMost:
		return " or less"
	}
	return ""
}

// after says how long something took.
func after(s float64, what string) string {
	if s < atOnce {
		return "at once"
	}
	return seconds(s) + " after " + what
}

func shouldNot(r *judge.VerdictReason) string {
	if r.Makes == judge.Fail {
		return ", which it should not be"
	}
	return ", as it should be"
}

// seconds writes a time without a decimal that says nothing.
func seconds(s float64) string { return strings.Replace(Seconds(s), ".0 ", " ", 1) }

// VerdictUnit is the unit of a reason's figures; empty where it has none.
func VerdictUnit(c judge.ReasonCode) string {
	switch c {
	case judge.LiveInTime, judge.OnTooLong, judge.OffNotSeen, judge.OffTooEarly:
		return "s"
	case judge.Falls:
		return "V"
	case judge.ContactResistance, judge.ContactWithProbe, judge.ContactAbove:
		return "mΩ"
	}
	return ""
}
