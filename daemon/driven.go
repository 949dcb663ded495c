package daemon

import (
	"context"
	"fmt"
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

// looked reports whether the leads on the terminals have been seen. Who types ahead would
// else arm a bench of which nothing is known yet.
func (d *driving) looked(m *moment, now adc.Instant) bool {
	for _, lead := range d.key {
		if lead != measure.NoLead && m.states[lead] == measure.Unknown && now.Sub(d.began) < lookMost {
			return false
		}
	}
	return true
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
