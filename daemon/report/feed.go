package report

import (
	"fmt"
	"slices"
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
	// Parked is nil where it was not asked.
	Parked *Parked
}

// Parked is what a vehicle draws while it is parked, with the accessory fed all the time.
type Parked struct {
	handbook.Standby         // everything together
	AccessoryMA      float64 // of it the accessory
	VehicleKnown     bool    // the vehicle's own draw is in it
	Days             float64 // how long the battery lasts
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
		out = append(out, fmt.Sprintf("Not %s: %s.", f.name(next), whyNext(best, next)))
	}
	return out
}

// whyNext says why the second is not the first: where both are drawn back by the same,
// only by what more there is against it.
func whyNext(best, next *judge.Choice) string {
	if next.Weight() < best.Weight() {
		return why(next)
	}
	var more []string
	for _, r := range next.Reasons {
		same := slices.ContainsFunc(best.Reasons, func(b judge.Reason) bool { return b.Code == r.Code && b.Weight == r.Weight })
		if r.Weight < judge.Speaks && !same {
			more = append(more, because(next, r))
		}
	}
	switch {
	case len(more) > 0:
		return "no better, and " + strings.Join(more, "; ")
	case next.SpareA < best.SpareA:
		return fmt.Sprintf("no better, with less to spare (%.1f A)", next.SpareA)
	}
	return "no better"
}

// none says what is against each slot, as far as there is room.
func (f *FeedAnswer) none() []string {
	out := []string{"No slot can feed this."}
	for i := range f.Choices {
		if len(out) == FeedLinesMost-1 && len(f.Choices) > i+1 {
			return append(out, fmt.Sprintf("And %d more, each refused.", len(f.Choices)-i))
		}
		c := &f.Choices[i]
		out = append(out, fmt.Sprintf("Not %s: %s.", f.name(c), why(c)))
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
	if c.Weight() != judge.Against {
		return text
	}
	var but []string
	for _, r := range c.Reasons {
		if r.Weight == judge.Against && !ofStart(r.Code) {
			but = append(but, because(c, r))
		}
	}
	if len(but) == 0 {
		return text + " But see cranking."
	}
	return text + " But: " + strings.Join(but, "; ") + "."
}

func (f *FeedAnswer) fuse(c *judge.Choice) string {
	switch {
	case c.Slot.RatingA == 0:
		return "Fuse: not known while the slot's rating is not."
	case c.AddedFuseA == 0:
		return fmt.Sprintf("Fuse: not known; which type does the tap take? The slot's own %g A fuse stays.", c.Slot.RatingA)
	}
	text := fmt.Sprintf("Fuse: %g A (%s) for the added circuit; the slot's own %g A fuse stays.", c.AddedFuseA, c.AddedType, c.Slot.RatingA)
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
	p, s := f.Parked, c.Slot.StaysOn
	switch {
	case c.Slot.Behaviour == judge.Permanent:
		return fmt.Sprintf("Parked: stays live (watched for %s).%s", Seconds(c.Slot.WatchedOffS), p.text())
	case s == nil:
		return "Parked: not known how long it stays on after key-off." + p.text()
	case s.Open:
		return fmt.Sprintf("Parked: still live %s after key-off, when last seen.%s", Seconds(s.S), p.text())
	case p != nil:
		return fmt.Sprintf("Parked: off %s after key-off; the accessory's %g mA are not drawn from then on.", soon(s.S), p.AccessoryMA)
	}
	return fmt.Sprintf("Parked: off %s after key-off.", soon(s.S))
}

// text says how long the battery lasts; empty where that was not asked.
func (p *Parked) text() string {
	if p == nil {
		return ""
	}
	draw := fmt.Sprintf("%g mA (the vehicle's own not counted)", p.AccessoryMA)
	if p.VehicleKnown {
		draw = fmt.Sprintf("%g mA and the vehicle's own %.0f mA", p.AccessoryMA, p.DrawMA-p.AccessoryMA)
	}
	return fmt.Sprintf(" %s take %.0f Ah from %g to %g %% in %.1f days.", draw, p.CapacityAh, p.FromPercent, p.LowestPercent, p.Days)
}

func (f *FeedAnswer) cranking(c *judge.Choice) string {
	bridged := "."
	if c.HoldUpS > 0 {
		bridged = fmt.Sprintf("; behind a diode %.0f µF bridge %s.", f.Want.HoldUpF*1e6, Seconds(c.HoldUpS))
	}
	for _, r := range c.Reasons {
		if ofStart(r.Code) {
			return "Cranking: " + strings.Replace(because(c, r), " while cranking", "", 1) + bridged
		}
	}
	return "Cranking: not known."
}

// ofStart reports whether a reason is about the start: it has a line of its own.
func ofStart(code judge.ReasonCode) bool {
	return slices.Contains([]judge.ReasonCode{judge.UnfedInStart, judge.RestartsInStart, judge.StartNotSeen, judge.StartUndecided, judge.BridgeUndecided,
		judge.MinimumNotKnown, judge.WorksInStart, judge.RidesStart, judge.OnAfterStart}, code)
}
