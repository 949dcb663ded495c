package daemon

import (
	"context"

	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// keeping sees to it that no key cycle is taken whose results could not be kept:
// refused aloud before it begins, never cut off in the middle.
type keeping struct {
	trouble string // why nothing can be kept at present; empty if it can
	refused bool   // the open cycle was refused at its beginning
	unkept  int64  // results let go since
}

// followTrouble looks whether results can be kept.
func (c *core) followTrouble(ctx context.Context) {
	k := &c.keeping
	now := c.outbox.Counts().Trouble
	if (now == "") != (k.trouble == "") {
		if c.moment.changed = true; now != "" {
			c.o.Logger.Error("key cycles are refused: their results could not be kept", "why", now)
		} else {
			c.o.Logger.Info("key cycles are taken again")
		}
	}
	k.trouble = now
	c.moment.refusing = now
	if k.refused && now == "" {
		c.moment.refusing = "this key cycle began while results could not be kept: the next one is taken"
	}
	if now == "" && !k.refused && k.unkept > 0 {
		f := &protocol.BenchFault{ResultHeader: c.t.result(c.now), AtNS: int64(c.now), Count: k.unkept,
			Reason: "results could not be kept, and key cycles were refused; count says how many results there would have been"}
		k.unkept = 0
		c.ok(c.outbox.Put(ctx, f))
	}
}

// admits reports whether what an event says is to be kept. A cycle that began while
// all was well is kept to its end: the queue before the disk holds it.
func (k *keeping) admits(ev measure.Event, cycleOpen bool) bool {
	y, isCycle := ev.(*measure.Cycle)
	if isCycle && y.Revision == 1 {
		k.refused = k.trouble != ""
	}
	ok := !k.refused && (cycleOpen || k.trouble == "")
	if isCycle && y.Final {
		k.refused = false
	}
	if !ok {
		k.unkept++
	}
	return ok
}
