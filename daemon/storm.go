package daemon

import (
	"context"
	"time"

	"keyturn/adc"
	"keyturn/protocol"
)

const (
	// calmAfter is how long a chip must have been well until its faults are told.
	calmAfter = 2 * time.Second
	// stormMost is how long faults that do not end are gathered.
	stormMost = time.Minute
)

// storm is the blind stretches of one chip for one reason: told as one document
// with a count, however many there are. What cannot be seen is in "now" at once.
type storm struct {
	chip   string
	reason string
	first  adc.Instant
	last   adc.Instant // latest blind stretch
	count  int64
}

// noteBlind gathers a blind stretch. The leads of a chip go blind together: it is
// counted by its first lead.
func (c *core) noteBlind(b adc.Blind, at adc.Instant) {
	if b.Lead < 0 || b.Lead >= len(c.t.p.Leads) || b.Reason == adc.NotAnswering && at.Sub(c.began) < calmAfter {
		return // a chip is looked for at the start
	}
	chip, reason := c.t.p.Leads[b.Lead].Chip, b.Reason.String()
	for i := range c.storms {
		s := &c.storms[i]
		if s.chip != chip || s.reason != reason {
			continue
		}
		if s.last != at {
			s.count, s.last = s.count+1, at
		}
		return
	}
	c.storms = append(c.storms, storm{chip, reason, at, at, 1})
	c.o.Logger.Warn("a chip cannot be read", "chip", chip, "why", reason)
}

// tellStorms tells those that are over, or all at the end.
func (c *core) tellStorms(ctx context.Context, all bool) {
	kept := c.storms[:0]
	for _, s := range c.storms {
		if !all && c.now.Sub(s.last) < calmAfter && c.now.Sub(s.first) < stormMost {
			kept = append(kept, s)
			continue
		}
		f := &protocol.BenchFault{ResultHeader: c.t.result(c.now), AtNS: int64(s.first), Chip: protocol.OrNull(s.chip), Reason: s.reason, Count: s.count}
		c.o.Logger.Warn("a chip could not be read", "chip", s.chip, "why", s.reason, "times", s.count, "over", s.last.Sub(s.first))
		c.ok(c.outbox.Put(ctx, f))
	}
	c.storms = kept
}
