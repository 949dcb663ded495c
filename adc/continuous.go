package adc

import (
	"math"
	"time"
)

// This file serves chips that convert one input without a pause: twice the rate
// and more for the one lead that matters, at the price of its chip's others. Such
// a chip does not say when a conversion ends. It is read a little less often than
// it converts, so that no result is taken twice; each result is of the conversion
// that ended last before, so its window is known to half a conversion only.

// ContinuousChip is a Chip that can convert one input without a pause.
type ContinuousChip interface {
	Chip
	// StartContinuous begins to convert an input, over and over. It must not be
	// called while a conversion may be running.
	StartContinuous(input int) error
	// Streaming reports whether the chip still does what StartContinuous began
	// (else ErrConfigLost).
	Streaming() error
}

// streamSlack is by how much longer than a conversion the reads are apart: twice
// what it may drift.
const streamSlack = 2 * drift

// startStream begins it.
func (s *Scanner) startStream(c *scanned) {
	before := s.clock.Now()
	err := c.plan.Chip.(ContinuousChip).StartContinuous(c.input().Input)
	after := s.clock.Now()
	c.startFrom, c.startTo = before.Add(c.plan.StartLead), after
	// A failed start may have begun it, too: it ends with the next configuration.
	c.over = after.Add(c.timing.Wake + c.timing.Max)
	if err != nil {
		s.fail(c, err)
		return
	}
	c.phase, c.due, c.streamed = streaming, c.over, after
}

// collectStream reads the latest result, and now and then verifies that the chip
// still is what it was told to be.
func (s *Scanner) collectStream(c *scanned) {
	before := s.clock.Now()
	r, err := c.plan.Chip.Read()
	after := s.clock.Now()
	if err != nil {
		s.fail(c, err)
		return
	}
	proved := false
	if before >= c.verifyAt {
		// After the read: until then the supply may fail.
		err := c.plan.Chip.(ContinuousChip).Streaming()
		if err == nil {
			err = c.plan.Chip.Verify()
		}
		if err != nil {
			s.verifyFailed(c, err)
			return
		}
		proved = true
	}
	k := &c.conversion
	// The result goes out ReadLead after the transfer has begun, wherever in the
	// call that is.
	half := (after.Sub(before) - c.plan.ReadLead - c.plan.PollTail) / 2
	given := before.Add(c.plan.ReadLead + max(half, 0))
	to := given.Add(-k.time / 2)
	from := max(to.Add(-k.time), c.streamed)
	c.streamed = to
	least := k.time + time.Duration(streamSlack*float64(k.time))
	c.due = before.Add(least)
	bound, u := k.stamp(max(half, 0))
	anywhere := time.Duration(float64(k.time) / math.Sqrt(12)) // JCGM 100:2008, 4.3.7
	smp := Sample{
		Lead: c.input().Lead, Code: r.Code, FullScaleUV: r.FullScaleUV, NoiseV: r.NoiseV, Saturated: r.Saturated,
		From: from, To: to, StampErr: bound + k.time/2, StampU: anywhere + u,
	}
	if proved {
		c.provenUpTo(smp.To, after)
	}
	c.blind, c.failures = 0, 0
	c.samples.Add(1)
	s.emit(Input{Kind: SampleInput, At: smp.To, Sample: smp})
}
