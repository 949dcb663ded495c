package report

import (
	"fmt"
	"strings"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// This file says the reasons for a feed and against it.

// why names the weightiest reasons against a slot.
func why(c *judge.Choice) string {
	var out []string
	for _, r := range c.Reasons {
		if r.Weight == c.Weight() {
			out = append(out, because(c, r))
		}
	}
	return strings.Join(out, "; ")
}

// What is said of a slot that is left alone, whatever was asked.
const (
	untouchable  = "nobody may touch it"
	needsNetwork = "cannot be tested here: needs the vehicle's data network"
)

// because says one reason.
func because(c *judge.Choice, r judge.Reason) string {
	switch r.Code {
	case judge.Avoided:
		if c.Slot.Avoid == judge.NotInBox {
			return c.Slot.Avoid
		}
		return untouchable
	case judge.Untestable:
		return needsNetwork
	case judge.Faulty:
		return faultText(r.Fault)
	case judge.JointLoses:
		return fmt.Sprintf("bad joint: its feed loses %.2f V at the %g A of its fuse, %.1f V are the most", r.Value, c.Slot.RatingA, r.Limit)
	case judge.JointUndecided:
		return fmt.Sprintf("its feed loses %.2f V at the %g A of its fuse, too near the %.1f V allowed to tell", r.Value, c.Slot.RatingA, r.Limit)
	case judge.NotAsInBox:
		return fmt.Sprintf("the box file says %s, it is %s: find out why first", BehaviourName(protocol.Behaviour(c.Slot.Expected)), BehaviourName(protocol.Behaviour(c.Slot.Behaviour)))
	case judge.TapFuseNotKnown:
		return "which fuse its tap takes is not known"
	case judge.WrongBehaviour:
		return BehaviourName(protocol.Behaviour(c.Slot.Behaviour))
	case judge.BehaviourNotProven:
		return "what it does is not proven"
	case judge.OnlyWithEngine:
		return "live only with the engine running"
	case judge.PermanentWatched:
		return fmt.Sprintf("watched for %s after key-off only", Seconds(r.Value))
	case judge.OnTooLong:
		return fmt.Sprintf("stays on %s after key-off, %s are acceptable", Seconds(r.Value), Seconds(r.Limit))
	case judge.OffNotSeen:
		return fmt.Sprintf("not seen to go off within %s", Seconds(r.Limit))
	case judge.RatingNotKnown:
		return "its rating is not known"
	case judge.TooLittleSpare:
		return fmt.Sprintf("%.1f A to spare, %.1f A wanted", max(0, r.Value), r.Limit)
	case judge.NoFuseFits:
		if r.Value == 0 {
			return "no fuse of that kind is large enough"
		}
		return fmt.Sprintf("the added circuit wants a fuse of %g A, %.1f A is the most here", r.Value, r.Limit)
	case judge.SpareProvisional:
		return fmt.Sprintf("at most %.1f A, provisional", r.Value)
	case judge.SideNotKnown:
		return "feed side not known"
	}
	return startText(r)
}

// startText says what a start does to the accessory.
func startText(r judge.Reason) string {
	switch r.Code {
	case judge.UnfedInStart:
		if r.Value == 0 {
			return "off while cranking; it would restart"
		}
		return fmt.Sprintf("off for %s while cranking; it would restart", Seconds(r.Value))
	case judge.RestartsInStart:
		return fmt.Sprintf("falls to %.2f V while cranking, below %s; it would restart", r.Value, minimumText(r))
	case judge.OnAfterStart:
		return "off; it comes on with the engine"
	case judge.StartNotSeen:
		return "no start was measured"
	case judge.StartUndecided:
		return fmt.Sprintf("falls to %.2f V while cranking, too near %s to tell", r.Value, minimumText(r))
	case judge.BridgeUndecided:
		if r.Value == 0 {
			return "too low while cranking, nobody knows for how long; not sure that the capacitor bridges it"
		}
		return fmt.Sprintf("off or too low for %s while cranking; not sure that the capacitor bridges it", Seconds(r.Value))
	case judge.MinimumNotKnown:
		return "the accessory's minimum volts are not known"
	case judge.WorksInStart:
		return fmt.Sprintf("works on; lowest %.2f V, it needs %s", r.Value, strings.TrimPrefix(minimumText(r), "its "))
	case judge.RidesStart:
		return fmt.Sprintf("too low or off for %s, which it rides through", Seconds(r.Value))
	}
	return string(r.Code)
}

// minimumText is the accessory's minimum, and what its capacitor's diode takes off the feed.
func minimumText(r judge.Reason) string {
	if r.DiodeV == 0 {
		return fmt.Sprintf("its %.1f V", r.Limit)
	}
	return fmt.Sprintf("its %.1f V and the %.1f V of its diode", r.Limit, r.DiodeV)
}

func faultText(a judge.Amiss) string {
	switch a {
	case judge.HighResistance:
		return "bad joint: falls under load"
	case judge.Ghost:
		return "ghost: volts without strength"
	case judge.BackFed:
		return "fed from its load side"
	case judge.Pulsed:
		return "pulsed: switched on and off fast"
	case judge.ContactLost:
		return "its contact comes and goes"
	case judge.Blown:
		return "blown fuse"
	case judge.OpenCircuit:
		return "open circuit"
	}
	return string(a)
}
