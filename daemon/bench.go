package daemon

import (
	"context"
	"time"

	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// This file keeps what the bench says of itself up to date.

// describe says what the bench is: once as a result, and retained.
func (c *core) describe(ctx context.Context) {
	c.ok(c.outbox.Put(ctx, &protocol.BenchResult{ResultHeader: c.t.result(c.now), Description: c.benchD}))
	c.sendBench()
	for _, what := range c.o.Findings {
		c.o.Logger.Error(what)
		c.ok(c.outbox.Put(ctx, &protocol.BenchFault{ResultHeader: c.t.result(c.now), AtNS: int64(c.now), Reason: what, Count: 1}))
	}
}

// fillLearned writes into the description what the leads have taught.
func (c *core) fillLearned() {
	c.fillAges()
	for i := range c.benchD.Leads {
		k := c.engine.TimeConstants(i)
		if k.Edges == 0 {
			continue
		}
		c.benchD.Leads[i].TauLearned = &protocol.TauLearned{
			DrivenUS: protocol.MicrosOf(k.Driven), UDriven: protocol.Ratio(k.UDriven),
			FloatingUS: protocol.MicrosOf(k.Floating), UFloating: protocol.Ratio(k.UFloating), Edges: k.Edges,
		}
	}
}

// fillAges writes into the description how old the calibrations are.
func (c *core) fillAges() {
	if c.o.Wall == nil {
		return
	}
	wall, _, ok := c.o.Wall(c.now)
	if !ok {
		return
	}
	for i := range c.benchD.Leads {
		cal := &c.benchD.Leads[i].Calibration
		if made, err := time.Parse(time.DateOnly, string(cal.Date)); err == nil {
			days := int(wall.Sub(made) / (24 * time.Hour))
			cal.AgeDays = &days
		}
	}
}

// tellLearned hands on what the leads have taught, for the calibration to keep.
func (c *core) tellLearned() {
	if c.o.Learned == nil {
		return
	}
	all := make([]measure.TimeConstants, len(c.o.Params.Leads))
	for i := range all {
		all[i] = c.engine.TimeConstants(i)
	}
	c.o.Learned(all)
}
