package adc

import (
	"slices"
	"time"
)

// This file learns how long a chip's conversions take. Its oscillator may be off
// by the data sheet's tolerance, which is a tenth of a window: too much to say
// when a window ended. Each of a few conversions is asked once, at an instant
// halfway between what is still possible, whether it is over: the range halves
// until the uncertainty of the bus's own instants remains. What is learned
// serves the stamps only, never the proof that a conversion is over.

// startLearning begins a conversion whose end is to be found.
func (s *Scanner) startLearning(c *scanned) {
	if !s.startInput(c, c.plan.Inputs[0].Input) {
		return
	}
	c.phase = learning
	tc := (c.tcMin + c.tcMax) / 2
	c.due = c.startFrom.Add(c.startTo.Sub(c.startFrom)/2 + c.timing.Wake + tc)
}

// learn asks whether the conversion is over and narrows the range.
func (s *Scanner) learn(c *scanned) {
	before := s.clock.Now()
	busy, err := c.plan.Chip.Busy()
	after := s.clock.Now()
	if err != nil {
		s.fail(c, err)
		return
	}
	c.polled[c.polls] = after.Sub(before)
	if busy {
		c.tcMin = max(c.tcMin, before.Sub(c.startTo)-c.timing.Wake)
	} else {
		c.tcMax = min(c.tcMax, after.Sub(c.startFrom)-c.timing.Wake)
	}
	if c.tcMin > c.tcMax { // a chip outside its data sheet: verification finds it
		c.tcMin, c.tcMax = c.timing.Min, c.timing.Max
	}
	c.polls++
	c.due = c.over
	c.phase = waiting
	if c.polls >= learnPolls {
		// The next start comes when this conversion is certainly over.
		c.phase = starting
		slices.Sort(c.polled[:])
		c.took = c.polled[learnPolls/2]
	}
}

// ReferencePeriod is the time one scan takes at best: inputs times the longer of
// one chip's conversion with its transfers and all chips' transfers, where
// transfers is the bus time of one start and one read with the host's overhead.
// It is what an achieved interval is compared with.
func ReferencePeriod(chips, inputs int, t Timing, transfers time.Duration) time.Duration {
	return time.Duration(inputs) * max(t.Nominal+t.Wake+transfers, time.Duration(chips)*transfers)
}
