package measure

import "math"

// This file judges what stands behind a slot's volts, by what they do under a bleed
// resistor and under a test load. It takes values and knows no lead.

// Level is a mean voltage with its standard uncertainty from noise alone (k = 1).
type Level struct{ V, U float64 }

// Loading is what a slot's lead and the battery sense lead read at the same time, before
// and while a resistor is across the slot.
type Loading struct {
	Open, OpenBattery     Level
	Loaded, LoadedBattery Level
	// Ohm is the resistor and UOhm its relative standard uncertainty.
	Ohm, UOhm float64
}

// SourceFinding says what stands behind a slot's volts.
type SourceFinding uint8

// The findings. NoSource: there were no volts to be tested; SourceNotProven: its
// resistance and limit lie closer than twice the uncertainty.
const (
	NoSource SourceFinding = iota
	SourceNotProven
	Feed
	HighResistance
	Ghost
)

// String returns the finding's name as messages carry it.
func (f SourceFinding) String() string {
	switch f {
	case NoSource:
		return "none"
	case SourceNotProven:
		return "not-proven"
	case Feed:
		return "feed"
	case HighResistance:
		return "high-resistance"
	case Ghost:
		return "ghost"
	}
	return "invalid"
}

const (
	// ghostOhm is the source resistance from which volts have no strength: it cannot
	// deliver 13 mA at 12.6 V, which is less than any lamp or relay draws (common
	// practice, no published source).
	ghostOhm = 1000
	// highOhm is the path from the battery's post to a slot from which it is a bad joint:
	// 0.5 V of drop at 5 A (common practice, no published source).
	highOhm = 0.1
	// leastOhm is the least that supply, contacts and fuse have together: a fuse of 30 A
	// alone has 1.97 mΩ (data sheets of blade fuses, as in the handbook).
	leastOhm = 0.002
	// testedPart is the part of the battery's voltage that there must be to be tested.
	testedPart = 0.1
)

// Resistance is a source's resistance with its standard uncertainty (k = 1), in ohms.
type Resistance struct{ Ohm, U float64 }

// Path is the resistance of the path from the battery sense lead to the slot: what the
// slot fell by more than the battery, over the current through the resistor. What the
// two leads disagree by anyway cancels. uGain is the relative standard uncertainty of a
// lead's gain: it counts for what each of them moved by, and for the current (JCGM
// 100:2008, 5.1.2, all inputs taken as independent).
func (l Loading) Path(uGain float64) Resistance {
	slot, battery := l.Open.V-l.Loaded.V, l.OpenBattery.V-l.LoadedBattery.V
	amp := l.Loaded.V / l.Ohm
	r := (slot - battery) / amp
	noise := math.Hypot(math.Hypot(l.Open.U, l.Loaded.U), math.Hypot(l.OpenBattery.U, l.LoadedBattery.U))
	gain := uGain * math.Hypot(slot, battery)
	return Resistance{r, math.Hypot(math.Hypot(noise, gain)/amp, r*math.Hypot(l.UOhm, uGain))}
}

// drew reports whether a current flowed through the resistor, for that is only worked out
// from the volts: then the slot fell by what supply, contacts and fuse have at least.
func (l Loading) drew() bool {
	return l.Open.V-l.Loaded.V > leastOhm*l.Loaded.V/l.Ohm+2*math.Hypot(l.Open.U, l.Loaded.U)
}

// Strength is the whole resistance of a source, the battery's own share in it: what a
// slot without strength has.
func (l Loading) Strength() float64 {
	if l.Loaded.V <= 0 {
		return math.Inf(1)
	}
	return l.Ohm * (l.Open.V/l.Loaded.V - 1)
}

// JudgeSource says what stands behind a slot's volts, from its bleed resistor and its
// test load; nil for what was not tried. The resistance is that under the load.
func JudgeSource(bleed, load *Loading, uGain float64) (SourceFinding, Resistance) {
	for _, l := range []*Loading{bleed, load} {
		switch {
		case l == nil:
		case !(l.Open.V > testedPart*l.OpenBattery.V):
			return NoSource, Resistance{}
		case l.Strength() > ghostOhm:
			return Ghost, Resistance{}
		}
	}
	if load == nil {
		if bleed == nil {
			return NoSource, Resistance{}
		}
		return Feed, Resistance{} // how good it is, only a load tells
	}
	switch r := load.Path(uGain); {
	case r.Ohm-2*r.U > highOhm:
		return HighResistance, r
	case r.Ohm+2*r.U < highOhm && !load.drew():
		return Feed, Resistance{} // as without a load: its wire may be off
	case r.Ohm+2*r.U < highOhm:
		return Feed, r
	default:
		return SourceNotProven, r
	}
}
