package config

import (
	"time"

	"keyturn/daemon/drive"
)

// The stays of the key in a round, in which what follows it has time to do so.
const (
	roundAccessory = 2 * time.Second
	roundSettled   = time.Second
	roundMost      = 10 * time.Second
	roundBleed     = time.Second
	roundLoad      = 700 * time.Millisecond // a resistor warms, two windows of averages
	roundOpen      = time.Second            // between loads, to compare with
	roundStart     = 1500 * time.Millisecond
	roundAfter     = 2 * time.Second
	roundOff       = 3 * time.Second // at least, and beyond what stays on longest
)

// RoundScript is the key cycle of a round of the test of a box. With fuses in each slot's
// source is tried by what resistors its place has, a load only where the slot's fuse bears
// it; and the key stays off until the slot that stays on longest should be off.
// The bench is one that InRound returned.
func (b *Bench) RoundScript(box *Box, r Round, source drive.CrankSource) drive.Script {
	s := drive.Script{CrankSource: source, Steps: []drive.Step{
		{Position: drive.Accessory, For: roundAccessory},
		{Position: drive.On, Settled: roundSettled, Most: roundMost},
	}}
	off := drive.Step{Position: drive.Off, Settled: roundOff, Most: roundMost}
	if bleeds := b.resistors(box, r, LineBleedResistor); len(bleeds) > 0 {
		s.Steps = append(s.Steps, drive.Step{Position: drive.On, For: roundBleed, Bleeds: bleeds}, drive.Step{Position: drive.On, For: roundOpen})
	}
	for _, slot := range b.resistors(box, r, LineTestLoad) {
		s.Steps = append(s.Steps, drive.Step{Position: drive.On, For: roundLoad, Loads: []string{slot}}, drive.Step{Position: drive.On, For: roundOpen})
	}
	if off.For = roundStays(box, r); off.For > 0 {
		off.Settled, off.Most = 0, 0
	}
	s.Steps = append(s.Steps, drive.Step{Position: drive.Start, For: roundStart}, drive.Step{Position: drive.On, For: roundAfter}, off)
	return s
}

// roundStays is how long the key stays off so that the slot of a round that may stay on
// longest is seen to go off; 0 where none is known to stay on.
func roundStays(box *Box, r Round) (most time.Duration) {
	for _, p := range r.Places {
		if x := box.Slot(p.Slot); p.Fuse == "in" && x.StaysOnMaxS != nil {
			most = max(most, duration(*x.StaysOnMaxS, time.Second)+roundOff)
		}
	}
	return most
}

// resistors are the slots of a round that have a resistor of this role and their fuse in.
func (b *Bench) resistors(box *Box, r Round, role string) (slots []string) {
	high := b.Driven().Limits.WithDefaults().SupplyHighV
	for _, p := range r.Places {
		for _, l := range b.Lines {
			if l.Role != role || l.Slot != p.Slot || p.Fuse != "in" {
				continue
			}
			if role == LineTestLoad && high/l.Ohm > box.Slot(p.Slot).RatingA {
				continue // its fuse is not for it
			}
			slots = append(slots, p.Slot)
		}
	}
	return slots
}
