package config

import (
	"fmt"
	"slices"
	"strings"
)

// This file bounds the faults that an exercise plants.

// Supplies that a planted resistor must bear: the highest of ISO 16750-2, 4.2, for 12 V,
// as given by a public catalogue of standards; for 24 V a value from memory.
const (
	supplyMax12V = 16
	supplyMax24V = 32
	// fuseHolds is how many times its rating a fuse may carry for half an hour
	// (ISO 8820-3, as a relay's data sheet quotes it).
	fuseHolds = 1.35
)

// checkPlanted notes what is wrong with a planted fault by itself.
func (e *Exercise) checkPlanted(f *faults, at string, p *PlantedFault) {
	if e.Subject == onVehicle {
		f.at(at, "kind", "faults are planted on a training board or in a box on a bench supply, never on a vehicle; remove it, or write subject = %q", offVehicle)
	}
	if p.Slot == "" {
		f.at(at, "slot", "missing; write the slot of the box that is faulty")
	}
	if strings.Contains(p.Kind, "short") {
		f.at(at, "kind", "%q is refused; a short is never planted: it burns, and shows nothing that %s does not", p.Kind, SeriesResistance)
	} else {
		word(f, f, at, "kind", p.Kind, "a fault that may be planted", []string{SeriesResistance, OpenCircuit, BackFeed})
	}
	switch resistor := p.Kind == SeriesResistance || p.Kind == BackFeed; {
	case resistor && p.Kind == BackFeed && p.Ohm == 0:
		f.at(at, "ohm", "missing; a back-feed without a resistor is a short: write its ohms, and its watts")
	case resistor:
		f.within(at, []bound{
			{"ohm", p.Ohm, 0.1, 1e6, "what the resistor says"},
			{"watts", p.Watts, 0.1, 1000, "what the resistor may turn into heat for good"},
		})
	case p.Ohm != 0 || p.Watts != 0:
		f.at(at, "ohm", "only of a %s or %s; remove ohm and watts", SeriesResistance, BackFeed)
	}
	switch {
	case p.Kind == BackFeed && p.From == "":
		f.at(at, "from", "missing; write the slot whose volts come back")
	case p.Kind == BackFeed && p.From == p.Slot:
		f.at(at, "from", "%q is the slot itself; write another", p.From)
	case p.Kind != BackFeed && p.From != "":
		f.at(at, "from", "only of a %s; remove it", BackFeed)
	}
	switch {
	case p.Line != "" && p.Instruction != "":
		f.at(at, "instruction", "a relay line plants it; remove the instruction, or the line")
	case p.Line != "":
		f.id(at, "line", p.Line)
	case p.Instruction == "":
		f.at(at, "instruction", "missing; write what the instructor does with the supply off, or line = the relay line that plants it")
	default:
		f.sentence(at, "instruction", p.Instruction, "instruction")
	}
}

// WorstW is the most that the resistor of a planted fault can turn into heat, in watts,
// and by which rule: with its load shorted the whole supply is across it, U²/R, unless the
// fuse opens, which carries at most 1.35 times its rating, I²·R. 0 without a resistor.
func (p *PlantedFault) WorstW(box *Box) (w float64, rule string) {
	s := box.Slot(p.Slot)
	if s == nil || p.Ohm <= 0 {
		return 0, ""
	}
	v, rating := box.supplyMaxV(), s.RatingA
	if from := box.Slot(p.From); from != nil {
		rating = min(rating, from.RatingA)
	}
	across, through := v*v/p.Ohm, fuseHolds*fuseHolds*rating*rating*p.Ohm
	if through < across {
		return through, fmt.Sprintf("(%g·%g A)²·%g ohm", fuseHolds, rating, p.Ohm)
	}
	return across, fmt.Sprintf("(%g V)²/%g ohm", v, p.Ohm)
}

// supplyMaxV is the highest voltage that a sound supply of the box reaches.
func (b *Box) supplyMaxV() float64 {
	if b.HighestV > supplyMax12V {
		return max(b.HighestV, supplyMax24V)
	}
	return supplyMax12V
}

// fitFault holds a planted fault to the box.
func (e *Exercise) fitFault(f *faults, box *Box, at string, p *PlantedFault) {
	for _, x := range [][2]string{{"slot", p.Slot}, {"from", p.From}} {
		if x[1] == "" {
			continue
		}
		if !e.fitSlot(f, box, at, x[0], x[1]) {
			return
		}
	}
	if !slices.ContainsFunc(e.Questions, func(q Question) bool { return q.Slot == p.Slot || slices.Contains(q.Slots, p.Slot) }) {
		f.at(at, "slot", "no question is about %q; ask about it, or remove the fault", p.Slot)
	}
	worst, rule := p.WorstW(box)
	if worst == 0 {
		return
	}
	if p.Watts < worst {
		f.at(at, "watts", "%g W are too few: %.3g W at worst, %s; take a resistor of more watts or other ohms", p.Watts, worst, rule)
	}
	if p.Kind == BackFeed {
		least := min(box.Slot(p.Slot).RatingA, box.Slot(p.From).RatingA)
		if most := box.supplyMaxV() / p.Ohm; most > least {
			f.at(at, "ohm", "%g ohm let %.3g A flow back, more than the %g A fuse of %s or %s; take more ohms", p.Ohm, most, least, p.Slot, p.From)
		}
	}
}
