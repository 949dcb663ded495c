package daemon

import (
	"math"
	"slices"
	"time"

	"keyturn/adc"
	"keyturn/daemon/drive"
	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// This file gathers what slots and bench supply read before and while a bleed resistor
// or test load is across a slot, and has the source judged.

const (
	// testSettles is how long after a line was switched samples do not count: relay,
	// bounce and ten time constants of a lead.
	testSettles = 50 * time.Millisecond
	// testWindow is over how much of a stretch is averaged, the last of it.
	testWindow = 250 * time.Millisecond
	// testLeast is how many samples an average rests on at least.
	testLeast = 10
	// loadUOhm and bleedUOhm are relative: a resistor of 5 %, even within it (JCGM
	// 100:2008, 4.3.7).
	loadUOhm = 0.029
	bleedOhm = 10e3
)

// average is a mean over windows: the present one, and the last that is whole.
type average struct {
	from         adc.Instant
	n            int
	sum, squares float64
	whole        measure.Level
	wholeIsThere bool
}

func (a *average) add(at adc.Instant, v float64) {
	if a.n == 0 {
		a.from = at
	}
	a.n++
	a.sum, a.squares = a.sum+v, a.squares+v*v
	if at.Sub(a.from) >= testWindow {
		a.whole, a.wholeIsThere = a.present(), a.n >= testLeast
		a.n, a.sum, a.squares = 0, 0, 0
	}
}

func (a *average) present() measure.Level {
	n := float64(a.n)
	mean := a.sum / n
	return measure.Level{V: mean, U: math.Sqrt(max(0, a.squares/n-mean*mean) / n)}
}

// level is the mean of the last window; false where there were too few samples.
func (a *average) level() (measure.Level, bool) {
	if a.wholeIsThere {
		return a.whole, true
	}
	return a.present(), a.n >= testLeast
}

// tested is what the tests of a script have shown so far.
type tested struct {
	bench    *drive.Bench
	p        *measure.Params
	since    adc.Instant // of the present stretch, with the lines of it
	on       drive.Set
	position drive.Position
	averages []average // per lead
	slots    []slotTest
}

// slotTest is what is known of one slot.
type slotTest struct {
	lead     int
	open     [2]measure.Level // slot, battery
	at       drive.Position   // where the key was then
	isOpen   bool
	bleed    *measure.Loading
	load     *measure.Loading
	ownWire  bool
	position drive.Position
}

func newTested(b *drive.Bench, p *measure.Params) *tested {
	s := &tested{bench: b, p: p, averages: make([]average, len(p.Leads)), slots: make([]slotTest, len(p.Slots))}
	for i := range s.slots {
		s.slots[i].lead = leadOf(b, &p.Slots[i])
	}
	return s
}

// leadOf is the lead of a slot that its resistors are at; its only one in most.
func leadOf(b *drive.Bench, slot *measure.Slot) int {
	for _, o := range b.Outputs {
		for _, l := range slot.Leads {
			if o.Slot == slot.Name && o.Side == l.Side {
				return l.Lead
			}
		}
	}
	return slot.Leads[0].Lead
}

// sample takes a lead's voltage.
func (s *tested) sample(lead int, at adc.Instant, v float64) {
	if at.Sub(s.since) > testSettles {
		s.averages[lead].add(at, v)
	}
}

// next ends a stretch and begins another, with these lines on.
func (s *tested) next(at adc.Instant, on drive.Set, p drive.Position) {
	if battery, ok := s.averages[s.p.BatterySense].level(); ok {
		s.close(battery)
	}
	s.since, s.on, s.position = at, on, p
	clear(s.averages)
}

// close keeps what the stretch has shown of each slot.
func (s *tested) close(battery measure.Level) {
	loaded := slices.ContainsFunc(s.bench.Outputs, func(o drive.Output) bool { return o.Role == drive.TestLoad && s.has(o) })
	for i := range s.slots {
		x := &s.slots[i]
		slot, ok := s.averages[x.lead].level()
		if !ok {
			continue
		}
		busy := false
		for _, o := range s.bench.Outputs {
			if o.Slot != s.p.Slots[i].Name || !s.has(o) {
				continue
			}
			busy = true
			if !x.isOpen || x.at != s.position {
				continue // nothing to compare it with
			}
			l := &measure.Loading{Open: x.open[0], OpenBattery: x.open[1], Loaded: slot, LoadedBattery: battery, Ohm: bleedOhm, UOhm: loadUOhm}
			if x.position = s.position; o.Role == drive.TestLoad {
				l.Ohm, x.load, x.ownWire = o.Ohm, l, o.OwnWire
			} else {
				x.bleed = l
			}
		}
		if !busy && !loaded {
			x.open, x.at, x.isOpen = [2]measure.Level{slot, battery}, s.position, true
		}
	}
}

func (s *tested) has(o drive.Output) bool {
	i := slices.IndexFunc(s.bench.Outputs, func(x drive.Output) bool { return x.Name == o.Name })
	return s.on.Has(i)
}

// source is what stands behind a slot's volts, as a document tells it; nil where that
// was not tested.
func (s *tested) source(slot int) *protocol.SlotSource {
	if s == nil {
		return nil
	}
	x := &s.slots[slot]
	if x.bleed == nil && x.load == nil {
		return nil
	}
	uGain := max(s.p.Leads[x.lead].Calibration.UGain, s.p.Leads[s.p.BatterySense].Calibration.UGain)
	finding, r := measure.JudgeSource(x.bleed, x.load, uGain)
	out := &protocol.SlotSource{Finding: protocol.SourceFinding(finding.String()), Position: protocol.Position(x.position.String())}
	if r.U > 0 {
		ohm, u := protocol.MilliOhms(r.Ohm*1e3), protocol.MilliOhms(r.U*1e3)
		out.PathMOhm, out.PathUMOhm, out.IncludesProbe = &ohm, &u, !x.ownWire
	}
	return out
}
