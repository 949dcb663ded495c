package drive

import (
	"fmt"
	"time"
)

// CrankSource is what pulls the supply down in a start. An engine is none of them:
// only a person starts one.
type CrankSource uint8

// The crank sources of a script.
const (
	SupplyDip   CrankSource = iota + 1 // the bench supply, or a load on it
	ContactOnly                        // nothing: contacts move at full voltage
)

// Script is a key cycle to be driven.
type Script struct {
	CrankSource CrankSource
	Steps       []Step
}

// Step is one stay of a script. It lasts For or, where Settled is set, until no
// slot has changed for so long, and at most Most.
type Step struct {
	Position      Position
	For           time.Duration
	Settled, Most time.Duration
	// Loads and Bleeds name the slots whose test load or bleed resistor is on.
	Loads, Bleeds []string
}

// What a script may hold at most.
const (
	StepsMost  = 200
	ScriptMost = time.Hour // all its steps
)

// longest is the most a step may last, rests before it apart.
func (s *Step) longest() time.Duration {
	if s.Settled > 0 {
		return s.Most
	}
	return s.For
}

// StepFault is what is wrong with a step of a script.
type StepFault struct {
	Step int // from 0; -1 for the script as a whole
	What string
}

// Check returns what is wrong with a script on a bench, its first fault in each step.
func (s *Script) Check(b *Bench) (faults []StepFault) {
	l := b.Limits.WithDefaults()
	total := time.Duration(0)
	if len(s.Steps) == 0 || len(s.Steps) > StepsMost {
		return []StepFault{{-1, fmt.Sprintf("%d steps; write 1 to %d", len(s.Steps), StepsMost)}}
	}
	for i := range s.Steps {
		if what := s.check(i, b, &l); what != "" {
			faults = append(faults, StepFault{i, what})
		}
		total += min(max(s.Steps[i].longest(), 0), ScriptMost)
	}
	if last := len(s.Steps) - 1; s.Steps[last].Position != Off {
		faults = append(faults, StepFault{last, "the script ends with the key at " + s.Steps[last].Position.String() + "; add a step with off"})
	}
	if total > ScriptMost {
		faults = append(faults, StepFault{-1, fmt.Sprintf("its steps may take %v; at most %v", total, ScriptMost)})
	}
	return faults
}

// check returns what is wrong with a step; empty if nothing is.
func (s *Script) check(i int, b *Bench, l *Limits) string {
	x := &s.Steps[i]
	switch {
	case x.Position > Start:
		return "no position of the key; write off, accessory, on or start"
	case x.For > 0 == (x.Settled > 0) || x.For < 0 || x.Settled < 0:
		return "no time; write either for_s, or settled_s with most_s"
	case x.Settled > 0 && x.Most < x.Settled, x.longest() > ScriptMost:
		return fmt.Sprintf("lasts at most %v; write more than settled_s, and at most %v", x.longest(), ScriptMost)
	}
	for k, fed := range x.Position.relays() {
		if fed && b.line(RelayAccessory+Role(k), "") < 0 {
			return "needs a relay for terminal " + terminalName(k) + "; add its [[line]] to the bench file"
		}
	}
	if x.Position == Start {
		if what := s.checkStart(i, l); what != "" {
			return what
		}
	}
	return s.checkResistors(i, b, l)
}

// checkStart notes a start that is too long or not between two stays at on.
func (s *Script) checkStart(i int, l *Limits) string {
	x := &s.Steps[i]
	switch most := l.StartMax - DropWithin; {
	case x.longest() > most:
		return fmt.Sprintf("a start of %v; at most %v", x.longest(), most)
	case i == 0 || s.Steps[i-1].Position != On:
		return "a start must come from on; add a step with on before it"
	case len(s.Steps[i-1].Loads) > 0:
		return "a start right after a test load; add a step without between them"
	case i+1 < len(s.Steps) && s.Steps[i+1].Position != On && s.Steps[i+1].Position != Off:
		return "a start goes back to on or off; add a step with on after it"
	case i+1 < len(s.Steps) && len(s.Steps[i+1].Loads) > 0:
		return "a test load right after a start; add a step without between them"
	case len(x.Loads)+len(x.Bleeds) > 0:
		return "no test load and no bleed resistor in a start; remove them"
	}
	return ""
}

// checkResistors notes loads and bleeds that are not there, or too long or too many.
func (s *Script) checkResistors(i int, b *Bench, l *Limits) string {
	x := &s.Steps[i]
	for _, slot := range x.Bleeds {
		if b.line(BleedResistor, slot) < 0 {
			return fmt.Sprintf("slot %q has no bleed resistor; add its [[line]] to the bench file", slot)
		}
	}
	switch most := l.LoadMax - DropWithin; {
	case len(x.Loads) == 0:
		return ""
	case len(x.Loads) > 1:
		return fmt.Sprintf("%d test loads; one at a time", len(x.Loads))
	case b.line(TestLoad, x.Loads[0]) < 0:
		return fmt.Sprintf("slot %q has no test load; add its [[line]] to the bench file", x.Loads[0])
	case x.Settled > 0 || x.For > most:
		return fmt.Sprintf("a test load is on for %v; write for_s of at most %v", x.longest(), most)
	case len(x.Bleeds) > 0:
		return "a test load and a bleed resistor at once; write a step for each"
	case i > 0 && len(s.Steps[i-1].Loads) > 0:
		return "a test load right after another; add a step without between them"
	}
	if o := &b.Outputs[b.line(TestLoad, x.Loads[0])]; o.heats(l.SupplyHighV)*(x.For+DropWithin).Seconds() > o.heatMost() {
		return fmt.Sprintf("line %s would get too hot in %v; write a shorter time, or fit a resistor of more than %g W", o.Name, x.For, o.Watt)
	}
	return ""
}
