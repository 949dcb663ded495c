package report

import (
	"fmt"
	"strings"

	"keyturn/daemon/handbook"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// FeedAnswer is all that is said of the choice of a feed.
type FeedAnswer struct {
	Want    judge.Want
	Choices []judge.Choice // the best first
	// Legends are what the lid says, and Datum how the box is held so that sides are
	// meant.
	Legends map[string]string
	Datum   string
	// Wire is for the added circuit of the best choice, over LengthM; nil without one.
	Wire    *handbook.WireChoice
	LengthM float64
	// Parked is what the accessory draws while the vehicle is parked, and ParkedDays how
	// long the battery lasts; nil where that was not asked.
	Parked     *handbook.Standby
	ParkedDays float64
}

// FeedLinesMost is how many lines an answer has at most.
const FeedLinesMost = 6

// Lines say which slot to take and why, and why not the next one; where none can be
// taken, what is against each.
func (f *FeedAnswer) Lines() []string {
	if len(f.Choices) == 0 {
		return []string{"No slot was measured."}
	}
	best := &f.Choices[0]
	if best.Weight() == judge.Refuses {
		return f.none()
	}
	out := []string{f.where(best), f.fuse(best), f.currentLine(best), f.parked(best), f.cranking(best)}
	if len(f.Choices) > 1 {
		next := &f.Choices[1]
		out = append(out, fmt.Sprintf("Not %s: %s.", f.name(next), f.why(next)))
	}
	return out
}

// none says what is against each slot, as far as there is room.
func (f *FeedAnswer) none() []string {
	out := []string{"No slot can feed this."}
	for i := range f.Choices {
		if len(out) == FeedLinesMost-1 && len(f.Choices) > i+1 {
			return append(out, fmt.Sprintf("And %d more, each refused.", len(f.Choices)-i))
		}
		c := &f.Choices[i]
		out = append(out, fmt.Sprintf("Not %s: %s.", f.name(c), f.why(c)))
	}
	return out
}

func (f *FeedAnswer) name(c *judge.Choice) string {
	if l := f.Legends[c.Slot.Name]; l != "" {
		return fmt.Sprintf("%s (%s)", c.Slot.Name, l)
	}
	return c.Slot.Name
}

func (f *FeedAnswer) where(c *judge.Choice) string {
	side := "feed side not known: find it with the fuse out"
	if c.Slot.FeedSide != "" {
		side = "feed side: " + c.Slot.FeedSide
		if f.Datum != "" {
			side += " (" + f.Datum + ")"
		}
	}
	text := fmt.Sprintf("Slot %s, %s; %s.", f.name(c), BehaviourName(protocol.Behaviour(c.Slot.Behaviour)), side)
	if c.Weight() == judge.Against {
		text += " But: " + f.why(c) + "."
	}
	return text
}

func (f *FeedAnswer) fuse(c *judge.Choice) string {
	if c.AddedFuseA == 0 {
		return "Fuse: not known while the slot's rating is not."
	}
	text := fmt.Sprintf("Fuse: %g A of its own for the added circuit; the slot's %g A stays as it is.", c.AddedFuseA, c.Slot.RatingA)
	if f.Wire != nil {
		text += fmt.Sprintf(" Wire: %s over %g m loses %.2f V warm.", f.Wire.Wire.Size, f.LengthM, f.Wire.DropV)
	}
	return text
}

// currentLine says what there is to spare, and on what that rests.
func (f *FeedAnswer) currentLine(c *judge.Choice) string {
	if c.Slot.RatingA == 0 {
		return "Current: not known while the slot's rating is not."
	}
	place := "cabin"
	if c.Slot.EngineBay {
		place = "engine bay"
	}
	sum := fmt.Sprintf("%.0f %% of %g A (%s)", 100*handbook.AddOn(c.Slot.EngineBay).Share, c.Slot.RatingA, place)
	own := fmt.Sprintf(" less its own %.1f A", c.Slot.LoadA)
	switch c.Slot.Basis {
	case judge.LoadTyped:
		return fmt.Sprintf("Current: %.1f A to spare: %s%s from the papers.", c.SpareA, sum, own)
	case judge.LoadWorstCase:
		return fmt.Sprintf("Current: %.1f A to spare: %s%s with everything on.", c.SpareA, sum, own)
	case judge.LoadSeen:
		return fmt.Sprintf("Current: at most %.1f A, provisional: %s%s as seen; switch everything on and measure.", c.SpareA, sum, own)
	}
	return fmt.Sprintf("Current: at most %.1f A, provisional: %s; what its own circuit draws is not known.", c.SpareA, sum)
}

func (f *FeedAnswer) parked(c *judge.Choice) string {
	text := "Parked: "
	switch s := c.Slot.StaysOn; {
	case c.Slot.Behaviour == judge.Permanent:
		text += fmt.Sprintf("stays live, as long as it was watched (%s).", Seconds(c.Slot.WatchedOffS))
	case s == nil:
		text += "not known how long it stays on after key-off."
	case s.Open:
		text += fmt.Sprintf("still live %s after key-off, when last seen.", Seconds(s.S))
	default:
		text += fmt.Sprintf("off %s after key-off.", soon(s.S))
	}
	if f.Parked != nil {
		text += fmt.Sprintf(" %g mA take the battery from %g to %g %% in %.1f days.", f.Parked.DrawMA, f.Parked.FromPercent, f.Parked.LowestPercent, f.ParkedDays)
	}
	return text
}

func (f *FeedAnswer) cranking(c *judge.Choice) string {
	for _, r := range c.Reasons {
		switch r.Code {
		case judge.UnfedInStart, judge.RestartsInStart, judge.StartNotSeen, judge.StartUndecided, judge.MinimumNotKnown, judge.WorksInStart, judge.RidesStart, judge.OnAfterStart:
			return "Cranking: " + because(c, r) + "."
		}
	}
	return "Cranking: not known."
}

// why names the weightiest reasons against a slot; where there is none, what makes it
// the lesser choice.
func (f *FeedAnswer) why(c *judge.Choice) string {
	var out []string
	for _, r := range c.Reasons {
		if r.Weight == c.Weight() && r.Weight < judge.Speaks {
			out = append(out, because(c, r))
		}
	}
	if len(out) == 0 {
		return fmt.Sprintf("as good, with less to spare (%.1f A)", c.SpareA)
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
		return untouchable
	case judge.Untestable:
		return needsNetwork
	case judge.Faulty:
		return faultText(r.Fault)
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
		return fmt.Sprintf("falls to %.2f V while cranking, below its %.1f V; it would restart", r.Value, r.Limit)
	case judge.OnAfterStart:
		return "off; it comes on with the engine"
	case judge.StartNotSeen:
		return "no start was measured"
	case judge.StartUndecided:
		return fmt.Sprintf("falls to %.2f V while cranking, too near its %.1f V to tell", r.Value, r.Limit)
	case judge.MinimumNotKnown:
		return "the accessory's minimum volts are not known"
	case judge.WorksInStart:
		return fmt.Sprintf("works on; lowest %.2f V, it needs %.1f V", r.Value, r.Limit)
	case judge.RidesStart:
		return fmt.Sprintf("too low or off for %s, which it rides through", Seconds(r.Value))
	}
	return string(r.Code)
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
	case judge.OpenCircuit:
		return "open circuit"
	}
	return string(a)
}
