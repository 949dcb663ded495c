package measure

import (
	"errors"
	"fmt"
	"time"

	"keyturn/adc"
)

// Params is what the engine must know beforehand. Zero values of the settings
// mean the default given at each; the lists have none.
type Params struct {
	// Leads lists every lead of the bench; an index into it names the lead
	// everywhere else.
	Leads []adc.Lead
	// Slots lists the slots under test.
	Slots []Slot
	// TestLines names the lines of test loads and bleed resistors: what leads read while
	// one is on is no level of theirs.
	TestLines []string
	// BatterySense is the lead that all others are judged against; NoLead if
	// there is none, then the absolute thresholds hold.
	BatterySense int
	// Key tells where the key position is known from.
	Key KeySense

	// LiveAbove and DeadBelow are the thresholds as fractions of the battery
	// sense lead's moment: 0 < DeadBelow < LiveAbove < 1. Default 0.6 and 0.3.
	LiveAbove, DeadBelow float64
	// LiveAboveV and DeadBelowV are the absolute thresholds in volts, where
	// there is no battery sense lead. Default 7.2 and 3.6.
	LiveAboveV, DeadBelowV float64
	// GhostBelow is the fraction of the battery below which a steady voltage
	// without a bleed resistor is a ghost. Default 0.55.
	GhostBelow float64
	// WatchFor is how long the slots are watched after key-off. Default 10 min.
	WatchFor time.Duration
	// GapMax is the longest silence of a lead before it is unknown. Default
	// 100 ms; at least five sample intervals.
	GapMax time.Duration
	// BelowV lists the limits under which time is counted during a start, in
	// volts, falling. Default 10.5, 9.6, 9.0, 8.0, 7.2, 6.0, 4.5.
	BelowV []float64
	// BounceMax is the longest bounce of a contact that the timing must bear:
	// from first to last touch. Default 3.5 ms; relay contacts bounce for 1 to
	// 5 ms (common practice, no published source), so set more for slow ones:
	// brackets then grow by as much.
	BounceMax time.Duration
	// AsleepBelowA is the current below which a vehicle counts as asleep, in amperes,
	// where a lead measures it. Default 0.05.
	AsleepBelowA float64
}

// NoLead stands for a lead that there is none of.
const NoLead = -1

// Slot is one fuse position under test.
type Slot struct {
	// Name identifies it on its box, Legend is what the lid says.
	Name, Legend string
	// Leads are its one or two leads.
	Leads []SlotLead
}

// SlotLead is a lead in a slot.
type SlotLead struct {
	Lead int
	Side string // left, right, upper, lower; empty with a single lead
}

// KeySense tells where the key position is known from; NoLead where a lead is
// not there.
type KeySense struct {
	Accessory int // sense lead on terminal 75
	On        int // sense lead on terminal 15
	Start     int // sense lead on terminal 50
	Running   int // sense lead on terminal 61: a sign of running
	// IgnitionSlot is a lead on a slot known to be ignition-switched, used for
	// "on" where there is no lead on terminal 15.
	IgnitionSlot int
}

// NoKeySense is a KeySense without any lead.
func NoKeySense() KeySense { return KeySense{NoLead, NoLead, NoLead, NoLead, NoLead} }

// WithDefaults returns p with every zero setting replaced by its default.
func (p Params) WithDefaults() Params {
	setF := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	setD := func(v *time.Duration, d time.Duration) {
		if *v == 0 {
			*v = d
		}
	}
	setF(&p.LiveAbove, 0.6)
	setF(&p.DeadBelow, 0.3)
	setF(&p.LiveAboveV, 7.2)
	setF(&p.DeadBelowV, 3.6)
	setF(&p.GhostBelow, 0.55)
	setF(&p.AsleepBelowA, 0.05)
	setD(&p.WatchFor, 10*time.Minute)
	setD(&p.GapMax, 100*time.Millisecond)
	setD(&p.BounceMax, 3500*time.Microsecond)
	if p.BelowV == nil {
		p.BelowV = []float64{10.5, 9.6, 9.0, 8.0, 7.2, 6.0, 4.5}
	}
	return p
}

// Check reports everything that is wrong with p, defaults taken as set; nil if
// nothing is.
func (p Params) Check() error {
	p = p.WithDefaults()
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if len(p.Leads) == 0 {
		bad("no leads")
	}
	isLead := func(what string, lead int, optional bool) {
		if (lead != NoLead || !optional) && (lead < 0 || lead >= len(p.Leads)) {
			bad("%s: lead %d of %d does not exist", what, lead, len(p.Leads))
		}
	}
	isLead("battery sense", p.BatterySense, true)
	isLead("terminal 75", p.Key.Accessory, true)
	isLead("terminal 15", p.Key.On, true)
	isLead("terminal 50", p.Key.Start, true)
	isLead("terminal 61", p.Key.Running, true)
	isLead("ignition slot", p.Key.IgnitionSlot, true)
	for _, s := range p.Slots {
		if len(s.Leads) < 1 || len(s.Leads) > 2 {
			bad("slot %s: %d leads, want 1 or 2", s.Name, len(s.Leads))
		}
		for _, l := range s.Leads {
			isLead("slot "+s.Name, l.Lead, false)
		}
	}
	currents := 0
	for i, l := range p.Leads {
		if l.IsCurrent() {
			currents++
			p.checkCurrent(i, bad)
		} else if l.Tau <= 0 || l.TauFloating <= 0 {
			bad("lead %s: the filter's time constant must be above 0", l.Name)
		}
		if l.Calibration.Gain <= 0 {
			bad("lead %s: gain %g must be above 0", l.Name, l.Calibration.Gain)
		}
	}
	if currents > 1 {
		bad("%d leads measure a current; at most 1", currents)
	}
	if !(p.AsleepBelowA > 0) {
		bad("asleep below %g A must be above 0", p.AsleepBelowA)
	}
	if p.DeadBelow <= 0 || p.DeadBelow >= p.LiveAbove || p.LiveAbove >= 1 {
		bad("thresholds: want 0 < dead below (%g) < live above (%g) < 1", p.DeadBelow, p.LiveAbove)
	}
	if p.DeadBelowV <= 0 || p.DeadBelowV >= p.LiveAboveV {
		bad("absolute thresholds: want 0 < dead below (%g V) < live above (%g V)", p.DeadBelowV, p.LiveAboveV)
	}
	for i := 1; i < len(p.BelowV); i++ {
		if p.BelowV[i] >= p.BelowV[i-1] {
			bad("crank limits must fall: %g V after %g V", p.BelowV[i], p.BelowV[i-1])
		}
	}
	if p.WatchFor < 0 || p.GapMax < 0 || p.BounceMax < 0 {
		bad("times must not be negative")
	}
	return errors.Join(errs...)
}

// checkCurrent reports where a lead that measures a current is taken for one that is
// live or dead.
func (p *Params) checkCurrent(lead int, bad func(format string, args ...any)) {
	name := p.Leads[lead].Name
	for _, k := range [...]int{p.BatterySense, p.Key.Accessory, p.Key.On, p.Key.Start, p.Key.Running, p.Key.IgnitionSlot} {
		if k == lead {
			bad("lead %s measures a current: it can neither be the battery sense lead nor tell of the key", name)
		}
	}
	for _, s := range p.Slots {
		for _, l := range s.Leads {
			if l.Lead == lead {
				bad("slot %s: lead %s measures a current and can be in no slot", s.Name, name)
			}
		}
	}
}
