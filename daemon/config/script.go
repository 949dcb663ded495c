package config

import (
	"fmt"
	"slices"
	"time"

	"keyturn/daemon/drive"
)

// Script is a script file: a key cycle for a bench to drive.
type Script struct {
	// CrankSource is what pulls the supply down in a start: "supply-dip" or
	// "contact-only".
	CrankSource string       `toml:"crank_source"`
	Steps       []ScriptStep `toml:"step"`
}

// ScriptStep is one stay: for ForS, or until no slot has changed for SettledS, at most
// MostS.
type ScriptStep struct {
	Position string   `toml:"position"`
	ForS     float64  `toml:"for_s,omitempty"`
	SettledS float64  `toml:"settled_s,omitempty"`
	MostS    float64  `toml:"most_s,omitempty"`
	Loads    []string `toml:"loads,omitempty"`  // slots whose test load is on
	Bleeds   []string `toml:"bleeds,omitempty"` // slots whose bleed resistor is on
}

// crankSources are the words for a start, in the order of drive.CrankSource from 1.
func crankSources() []string { return []string{"supply-dip", "contact-only"} }

func positions() []string { return []string{"off", "accessory", "on", "start"} }

// ParseScript reads a script file for a valid bench. The error is a Faults: all there
// are, or, of a step, the first.
func ParseScript(data []byte, b Bench) (drive.Script, error) {
	f := &faults{lines: linesOf(data)}
	s, ok := decode[Script](f, "a script file", data)
	if ok && b.Drive == nil {
		f.tell(1, "the bench drives nothing; add [drive] and its lines to the bench file, where the leads are on a box on a bench supply")
		ok = false
	}
	if !ok {
		return drive.Script{}, f.err()
	}
	out := s.driven(f)
	if len(f.list) == 0 {
		machine := b.Driven()
		for _, x := range out.Check(&machine) {
			at := ""
			if x.Step >= 0 {
				at = fmt.Sprintf("step[%d]", x.Step)
			}
			f.at(at, "", "%s", x.What)
		}
	}
	if len(f.list) > 0 {
		return drive.Script{}, f.err()
	}
	return out, nil
}

// driven is the script as the machine takes it; it notes words and numbers that are
// none.
func (s *Script) driven(f *faults) (out drive.Script) {
	if s.CrankSource == "engine" {
		f.at("", "crank_source", "only a person starts an engine; write \"supply-dip\" or \"contact-only\"")
	} else if f.oneOf("", "crank_source", s.CrankSource, "a source of the sag", crankSources()) {
		out.CrankSource = drive.CrankSource(1 + slices.Index(crankSources(), s.CrankSource))
	}
	for i := range s.Steps {
		x := &s.Steps[i]
		at := fmt.Sprintf("step[%d]", i)
		f.oneOf(at, "position", x.Position, "a position of the key", positions())
		most := drive.ScriptMost.Seconds()
		f.within(at, []bound{{"for_s", x.ForS, 0, most, ""}, {"settled_s", x.SettledS, 0, most, ""}, {"most_s", x.MostS, 0, most, ""}})
		if x.ForS > 0 && x.MostS > 0 {
			f.at(at, "most_s", "belongs to settled_s; remove it")
		}
		out.Steps = append(out.Steps, drive.Step{
			Position: drive.Position(max(0, slices.Index(positions(), x.Position))), Loads: x.Loads, Bleeds: x.Bleeds,
			For: duration(x.ForS, time.Second), Settled: duration(x.SettledS, time.Second), Most: duration(x.MostS, time.Second),
		})
	}
	return out
}
