package daemon

import (
	"context"
	"fmt"
	"math"
	"time"

	"keyturn/adc"
	"keyturn/daemon/drive"
	"keyturn/daemon/measure"
)

// This file tells what a script does: to the measuring core, into the key cycle, to
// whoever attends.

// told tells everyone what the machine did: the core as a mark or a line, a cycle as a
// note, the operator.
func (c *core) told(ctx context.Context, now adc.Instant, e drive.Event) {
	d := c.drive
	mark := func(m adc.Mark) {
		m.Source = adc.SourceScript
		c.take(ctx, adc.Input{Kind: adc.MarkInput, At: now, Mark: m})
	}
	note := func(text string) {
		if c.moment.cycle != "" {
			mark(adc.Mark{Note: text})
		}
	}
	switch e.Kind {
	case drive.Moved:
		mark(adc.Mark{Position: positionOf(e.Position)})
	case drive.Switched:
		c.take(ctx, adc.Input{Kind: adc.LineInput, At: now, Line: adc.Line{Name: d.o.Bench.Outputs[e.Output].Name, On: e.On}})
	case drive.Unsettled:
		note(fmt.Sprintf("step %d (%s) ended before every slot had settled", e.Step+1, e.Position))
	case drive.Latched:
		c.o.Logger.Error("everything was switched off", "why", e.Why)
		note("the script was stopped: " + e.Why)
		d.over, d.stopped, d.overAt = true, e.Why, now // before its key cycle is final
		mark(adc.Mark{Position: adc.Off, End: true})
	case drive.Ended:
		mark(adc.Mark{End: true})
		d.over, d.stopped, d.overAt = true, "", now
	}
	if d.o.Tell != nil {
		d.o.Tell(e)
	}
}

func positionOf(p drive.Position) adc.Position {
	switch p {
	case drive.Accessory:
		return adc.Accessory
	case drive.On:
		return adc.On
	case drive.Start:
		return adc.Start
	}
	return adc.Off
}

// lookMost is how long the bench is looked at before it may be armed, at most: a lead that
// shows nothing by then is what the machine tells of.
const lookMost = time.Second

// arm reports whether the bench is armed, as the machine is to see it. Who types ahead would
// arm a bench of which nothing is known yet, so that waits until it is; but only where the
// machine has seen it disarmed, for a key switch that was left on must not look as if it had
// been off, and not while the emergency stop is pressed, for nothing may follow its release.
func (d *driving) arm(m *moment, now adc.Instant, stopReleased bool) bool {
	d.know(m)
	since := now.Sub(d.began)
	waits := d.ready && !d.known && stopReleased && since >= 0 && since < lookMost
	return d.o.Armed() && !waits
}

// know notes when supply and terminals have been seen.
func (d *driving) know(m *moment) {
	if d.known || math.IsNaN(m.volts[d.sense]) {
		return
	}
	for _, lead := range d.key {
		if lead != measure.NoLead && m.states[lead] == measure.Unknown {
			return
		}
	}
	d.known = true
}

// endDrive says that the script is over once its key cycle is final, or does not become so.
func (c *core) endDrive(now adc.Instant) {
	d := c.drive
	if !d.over || c.moment.cycle != "" && now.Sub(d.overAt) < overMost {
		return
	}
	d.over = false
	if d.o.Over != nil {
		d.o.Over(d.stopped)
	}
}
