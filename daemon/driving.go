package daemon

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/gpio"

	"keyturn/adc"
	"keyturn/daemon/drive"
	"keyturn/daemon/measure"
)

// Drive is what turns the key of a box by script. Nothing that comes over the network
// reaches it.
type Drive struct {
	Bench  drive.Bench
	Script drive.Script
	// Outputs are its lines, in the order of Bench.Outputs; ReadBack the contacts that
	// tell of them, nil where there is none. High is on.
	Outputs  []gpio.PinOut
	ReadBack []gpio.PinIn
	// Stop is the second contact of the emergency stop: high while it is released.
	Stop gpio.PinIn
	// Armed reports whether the key switch is on, or the confirmation typed at the bench
	// stands. It must not wait.
	Armed func() bool
	// Now is the clock that the inputs bear; nil: their own time, where it is simulated.
	Now func() adc.Instant
	// Tell, if set, hears of what the machine does. It must not wait.
	Tell func(drive.Event)
	// Over, if set, is told that the script is over and its key cycle final, or why it was
	// stopped. It must not wait.
	Over func(stopped string)
}

const (
	// driveEvery is how often the lines are thought about at most.
	driveEvery = 5 * time.Millisecond
	// driveLook is how often somebody looks whether that still happens.
	driveLook = drive.DeadMan
	// overMost is how long the end of a script waits for its key cycle.
	overMost = 10 * time.Second
)

// driving is the shell of a drive.Machine: it reads and writes its lines.
type driving struct {
	o       *Drive
	machine *drive.Machine
	key     [3]int // leads on the terminals 75, 15 and 50
	sense   int

	busy    bool // in a step: what it tells is an input, too
	stepped adc.Instant
	sampled adc.Instant // end of the latest sample
	changed adc.Instant // when a slot's lead last changed
	on      drive.Set   // lines that may be on
	trouble string

	tests    *tested
	position drive.Position

	began   adc.Instant
	ready   bool // the machine saw it disarmed, and may be armed
	known   bool // supply and terminals have been seen
	over    bool
	stopped string
	overAt  adc.Instant
}

func newDriving(o *Options) (*driving, error) {
	if o.Drive == nil {
		return nil, nil
	}
	machine, err := drive.New(o.Drive.Bench, o.Drive.Script)
	if err != nil {
		return nil, fmt.Errorf("bench %s: %w", o.Bench, err)
	}
	if o.Params.BatterySense == measure.NoLead {
		return nil, fmt.Errorf("bench %s: no battery sense lead to watch the bench supply", o.Bench)
	}
	k := &o.Params.Key
	return &driving{o: o.Drive, machine: machine, tests: newTested(&o.Drive.Bench, &o.Params), key: [3]int{k.Accessory, k.On, k.Start}, sense: o.Params.BatterySense}, nil
}

// driveOn gives the machine what the bench sees and does what it says. It is called as
// inputs are taken: the watchdog's pulses are this loop's own progress.
func (c *core) driveOn(ctx context.Context) {
	d := c.drive
	if d == nil || d.busy {
		return
	}
	d.busy = true
	defer func() { d.busy = false }()
	now := c.now
	if d.o.Now != nil {
		now = d.o.Now()
	}
	if d.stepped != 0 && now >= d.stepped && now.Sub(d.stepped) < driveEvery {
		return
	}
	if d.began == 0 {
		d.began = now
	}
	d.stepped = now
	d.step(ctx, c, now)
	if d.trouble != "" { // at once, not at the next input
		d.step(ctx, c, now)
	}
	c.endDrive(now)
}

// driveLate is for when inputs no longer come: then the machine is told the time, which
// switches everything off.
func (c *core) driveLate(ctx context.Context) {
	if d := c.drive; d != nil && d.o.Now != nil && d.stepped != 0 && d.o.Now().Sub(d.stepped) > drive.DeadMan {
		c.driveOn(ctx)
	}
}

func (d *driving) step(ctx context.Context, c *core, now adc.Instant) {
	in := d.inputs(c.moment, now)
	in.Age = max(0, now.Sub(d.sampled)) // a window's end is an estimate
	out, events := d.machine.Step(time.Duration(now), in)
	d.write(out)
	d.follow(c, now, out, events)
	for _, e := range events {
		c.told(ctx, now, e)
	}
}

// follow keeps what tests of sources must know: when which lines were on, and where the
// key was.
func (d *driving) follow(c *core, now adc.Instant, out drive.Set, events []drive.Event) {
	switched := false
	for _, e := range events {
		switch e.Kind {
		case drive.Ready:
			d.ready = true
		case drive.Latched, drive.Ended:
			d.ready = false
		case drive.Armed:
			d.ready = false
			d.tests = newTested(&d.o.Bench, &c.o.Params)
			c.t.tests = d.tests
		case drive.Moved:
			d.position = e.Position
		case drive.Switched:
			switched = true
		}
	}
	if switched {
		d.tests.next(now, out, d.position)
	}
}

// sample hands a lead's voltage on to the tests of sources.
func (d *driving) sample(s *adc.Sample, m *moment) {
	if d != nil && s.Lead >= 0 && s.Lead < len(m.volts) {
		d.sampled = max(d.sampled, s.To)
		d.tests.sample(s.Lead, s.To, m.volts[s.Lead])
	}
}

// inputs reads the lines and gathers what was measured.
func (d *driving) inputs(m *moment, now adc.Instant) drive.Inputs {
	released := d.o.Stop.Read() == gpio.High
	in := drive.Inputs{
		Arm: d.arm(m, now, released), StopReleased: released,
		SupplyV: m.volts[d.sense], QuietFor: now.Sub(d.changed), Trouble: d.trouble,
	}
	d.trouble = ""
	for i, line := range d.o.ReadBack {
		if line != nil && line.Read() == gpio.High {
			in.ReadBack = in.ReadBack.With(i)
		}
	}
	for k, lead := range d.key {
		if lead == measure.NoLead {
			continue
		}
		switch m.states[lead] {
		case measure.Live:
			in.Terminals[k] = drive.SeenLive
		case measure.Dead:
			in.Terminals[k] = drive.SeenDead
		}
	}
	return in
}

// write sets the lines: first those that go off, the starter's before all, then the
// watchdog's, then those that go on. A line that could not be written may be on, and is
// tried again; until then nothing else goes on, and no change holds the supply, not even
// the watchdog's own way off.
func (d *driving) write(out drive.Set) {
	for _, starter := range []bool{true, false} {
		for i, o := range d.o.Bench.Outputs {
			if o.Role != drive.Watchdog && (o.Role == drive.RelayStart) == starter && d.on.Has(i) && !out.Has(i) {
				d.set(i, false)
			}
		}
	}
	if d.trouble != "" {
		return
	}
	for i, o := range d.o.Bench.Outputs {
		switch {
		case o.Role == drive.Watchdog && d.on.Has(i) && !out.Has(i):
			d.set(i, false)
		case out.Has(i) && !d.on.Has(i):
			d.set(i, true)
		}
	}
}

// set writes a line. One that was to go on may be, whatever became of it.
func (d *driving) set(line int, high bool) {
	if high {
		d.on = d.on.With(line)
	}
	if err := d.o.Outputs[line].Out(gpio.Level(high)); err != nil {
		d.trouble = fmt.Sprintf("line %s could not be written: %v", d.o.Bench.Outputs[line].Name, err)
	} else if !high {
		d.on = d.on.Without(line)
	}
}

// off switches everything off, whatever was said: at the end, and when all else fails.
func (d *driving) off() {
	if d == nil {
		return
	}
	d.machine.Stop()
	for range 3 { // a write that fails may do so once only
		d.on = 0
		for i := range d.o.Outputs {
			d.on = d.on.With(i)
		}
		d.trouble = ""
		if d.write(0); d.on == 0 {
			return
		}
	}
}
