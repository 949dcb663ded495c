package daemon

import (
	"context"
	"time"

	"keyturn/adc"
	"keyturn/protocol"
)

// wallStep is by how much the wall clock must jump against the monotonic one to
// count as set rather than slewed: RFC 5905, figure 28, STEPT.
const wallStep = 125 * time.Millisecond

// wallEvery is how often it is looked at.
const wallEvery = time.Second

// wallClock watches the wall clock. Results are not touched by what it does: their
// instants are monotonic.
type wallClock struct {
	looked adc.Instant
	known  bool
	was    bool          // it has been known before
	ahead  time.Duration // of the monotonic clock, when last known, less the first
	epoch  time.Time     // what the first knowledge made of instant 0
}

// followWall tells when the wall clock is set, jumps, or is no longer known.
func (c *core) followWall(ctx context.Context) {
	w := &c.wall
	if c.o.Wall == nil || w.looked != 0 && c.now.Sub(w.looked) < wallEvery {
		return
	}
	first := w.looked == 0
	w.looked = c.now
	t, _, known := c.o.Wall(c.now)
	var step *protocol.Millis
	told := known != w.known && !first
	if known {
		zero := t.Add(-time.Duration(c.now))
		if !w.was {
			w.epoch = zero
		}
		ahead := zero.Sub(w.epoch)
		if d := ahead - w.ahead; w.was && (d >= wallStep || d <= -wallStep) {
			ms := protocol.MillisOf(d)
			step, told = &ms, true
		}
		w.ahead, w.was = ahead, true
	}
	w.known = known
	if told {
		d := &protocol.Clock{ResultHeader: c.t.result(c.now), AtNS: int64(c.now), StepMS: step}
		d.Known = d.Wall != ""
		c.o.Logger.Warn("the wall clock changed", "known", d.Known, "step_ms", step)
		c.ok(c.outbox.Put(ctx, d))
	}
}
