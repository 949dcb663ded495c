package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/ads1x15"
	"keyturn/adc/vehicle"
	"keyturn/daemon/config"
	"keyturn/daemon/drive"
	"keyturn/daemon/link"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// stand is a driven bench without hardware: a board whose relays the daemon's core
// switches over simulated GPIO lines, and whose leads it reads through simulated chips,
// all on one goroutine and one simulated clock.
type stand struct {
	t       *testing.T
	bench   config.Bench
	board   *vehicle.Board
	bus     *adctest.Bus
	chips   []*adctest.ADS1x15
	gpio    adctest.GPIO
	lines   map[string]*adctest.GPIOLine
	core    *core
	outbox  *box
	scanner *adc.Scanner
	stop    context.CancelFunc

	armed, disarmed bool
	log             []string
	over            *string
	each            func(now adc.Instant) // before each input
	inputs          []adc.Input
}

func newStand(t *testing.T, script string, dips bool, slots ...vehicle.BoardSlot) *stand {
	t.Helper()
	read := func(name string) []byte {
		text, err := os.ReadFile("../testdata/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	s := &stand{t: t, lines: map[string]*adctest.GPIOLine{}, each: func(adc.Instant) {}}
	var err error
	s.bench, err = config.ParseBench(read("benches/driven.toml"), []config.Family{{Name: "ads1115", Inputs: 4, Addresses: []int{0x48, 0x49}}})
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := config.ParseScript(read("scripts/"+script), s.bench)
	if err != nil {
		t.Fatal(err)
	}
	const begin = adc.Instant(time.Minute)
	if slots == nil {
		slots = []vehicle.BoardSlot{
			{Feed: vehicle.Terminal15, SourceOhm: 0.05, LoadOhm: 4.7}, {Feed: vehicle.Terminal75, SourceOhm: 0.05, GhostV: 6, GhostOhm: 47e3},
			{Feed: vehicle.Terminal50, SourceOhm: 0.05}, {Feed: vehicle.Terminal30, SourceOhm: 0.05},
		}
	}
	s.board = vehicle.NewBoard(vehicle.BoardOptions{Start: begin, Seed: 3, Dips: dips, Slots: slots})
	s.bus = adctest.NewBus(adctest.BusOptions{Start: begin, OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond})
	d := s.wire()
	d.Script = parsed
	s.outbox = &box{Memory: outbox.NewMemory(outbox.MemoryOptions{Stream: "s"})}
	o := &Options{Bench: s.bench.ID, Root: "keyturn", Broker: link.Broker{URL: "tcp://127.0.0.1:1", ClientID: "c"}, Boot: "0123abcd", Params: s.bench.Params(),
		Description: Describe(s.bench, "test 1", func(string) time.Duration { return 6 * time.Millisecond }), Outbox: s.outbox, Drive: d,
		Record: func(in adc.Input) { s.inputs = append(s.inputs, in) }, Logger: slog.New(slog.DiscardHandler)}
	if s.core, err = newCore(o); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	s.stop = stop
	if s.scanner, err = adc.NewScanner(s.bus, s.plans(), func(in adc.Input) {
		if ctx.Err() == nil {
			s.look()
			s.each(s.bus.Now())
			s.core.take(ctx, in)
		}
	}); err != nil {
		t.Fatal(err)
	}
	return s
}

// plans puts the chips onto the bus and their inputs onto the board's leads.
func (s *stand) plans() (plans []adc.ChipPlan) {
	for n, c := range s.bench.Chips {
		o := adctest.ADS1x15Options{Address: uint16(c.Address)}
		var inputs []adc.PlannedInput
		for i, l := range s.bench.Leads {
			if l.Chip == c.Name {
				o.Inputs[l.Input] = s.board.Wave(i)
				inputs = append(inputs, adc.PlannedInput{Input: l.Input, Lead: i})
			}
		}
		s.chips = append(s.chips, adctest.NewADS1x15(o))
		s.bus.Add(s.chips[n])
		d, err := ads1x15.New(s.bus, ads1x15.Options{Name: c.Name, Family: ads1x15.ADS1115, Address: uint16(c.Address)})
		if err != nil {
			s.t.Fatal(err)
		}
		plans = append(plans, d.Plan(400000, inputs...))
	}
	return plans
}

// wire connects the lines to the board.
func (s *stand) wire() *Drive {
	d := &Drive{Bench: s.bench.Driven(), Armed: func() bool { return s.armed }, Now: s.bus.Now}
	for _, l := range s.bench.Lines {
		s.lines[l.Name] = s.gpio.Line(l.Offset)
	}
	slot := func(name string) int {
		return 1 + slices.IndexFunc(s.bench.Slots, func(x config.Slot) bool { return x.Name == name })
	}
	for _, o := range d.Bench.Outputs {
		var to vehicle.Contact
		switch o.Role {
		case drive.RelayAccessory, drive.RelayOn, drive.RelayStart:
			to.Relay = vehicle.Terminal75 + vehicle.Terminal(o.Role-drive.RelayAccessory)
		case drive.TestLoad:
			to.Load = slot(o.Slot)
		case drive.BleedResistor:
			to.Bleed = slot(o.Slot)
		}
		line, was := s.lines[o.Name], false
		line.Wire = func(high bool) {
			if high == was {
				return
			}
			if was = high; o.Role == drive.Watchdog {
				s.board.Pulse(s.bus.Now())
				return
			}
			s.board.Switch(s.bus.Now(), to, high)
		}
		d.Outputs = append(d.Outputs, line)
		var back gpio.PinIn
		if i := slices.IndexFunc(s.bench.Lines, func(x config.Line) bool { return x.Of == o.Name }); i >= 0 {
			back = s.lines[s.bench.Lines[i].Name]
		}
		d.ReadBack = append(d.ReadBack, back)
	}
	d.Stop = s.lines["stop"]
	s.lines["stop"].Put(true)
	d.Tell = func(e drive.Event) {
		text := map[drive.EventKind]string{drive.Armed: "armed", drive.Latched: "latched: " + e.Why, drive.Ended: "ended"}[e.Kind]
		if e.Kind == drive.Moved {
			text = e.Position.String()
		}
		if text != "" {
			s.log = append(s.log, text)
		}
	}
	d.Over = func(stopped string) { s.over = &stopped; s.stop() }
	return d
}

// look lets the read-back contacts follow.
func (s *stand) look() {
	s.lines["start-back"].Put(s.board.Closed(vehicle.Terminal50))
	s.lines["pulse-back"].Put(s.board.Supplied(s.bus.Now()))
}

// run arms the bench 2 s after the beginning and samples until the script is over.
func (s *stand) run() {
	s.t.Helper()
	began, each := s.bus.Now(), s.each
	s.each = func(now adc.Instant) {
		s.armed = now.Sub(began) > 2*time.Second && !s.disarmed
		if now.Sub(began) > 10*time.Minute {
			s.t.Error("the script does not end")
			s.stop()
		}
		each(now)
	}
	ctx, stop := context.WithCancel(s.t.Context())
	defer stop()
	was := s.stop
	s.stop = func() { was(); stop() }
	s.scanner.Run(ctx)
	s.core.publish(s.t.Context(), s.core.engine.Flush())
}

// off fails unless every output line is low and every relay open.
func (s *stand) off() {
	s.t.Helper()
	for _, l := range s.bench.Outputs() {
		if s.lines[l.Name].High() {
			s.t.Errorf("line %s is high", l.Name)
		}
	}
}

// final is the cycle that became final.
func (s *stand) final() *protocol.Cycle {
	s.t.Helper()
	var out *protocol.Cycle
	for _, c := range resultsOf[*protocol.Cycle](s.t, s.outbox) {
		if c.Final {
			out = c
		}
	}
	if out == nil {
		s.t.Fatalf("no final cycle; %q", s.log)
	}
	return out
}

func positions(c *protocol.Cycle) (out []string) {
	for _, k := range c.Key {
		out = append(out, string(k.Position))
	}
	return out
}

// A whole key cycle by script, on a board that the relays really drive: the cycle tells
// what the key did and what each slot does, and how the start was made.
func TestScriptedCycle(t *testing.T) {
	for _, c := range []struct {
		script, key string
		dips        bool
		source      protocol.CrankSource
		f03         protocol.Behaviour
	}{
		{"start.toml", "accessory on start on start on off", true, protocol.CrankSupplyDip, protocol.StartOnly},
		{"contacts.toml", "accessory on start on off", false, protocol.CrankContactOnly, protocol.StartOnly},
		{"short.toml", "accessory on off", false, protocol.CrankContactOnly, protocol.NotProven},
	} {
		t.Run(c.script, func(t *testing.T) {
			s := newStand(t, c.script, c.dips)
			s.run()
			if s.over == nil || *s.over != "" {
				t.Fatalf("not over: %q", s.log)
			}
			s.off()
			cycle := s.final()
			if got := strings.Join(positions(cycle), " "); got != c.key {
				t.Errorf("key %s, want %s", got, c.key)
			}
			for i, want := range []protocol.Behaviour{protocol.Ignition, protocol.Accessory, c.f03, protocol.Permanent} {
				if got := cycle.Slots[i].Behaviour; got != want && !(got == protocol.NotProven && c.script == "short.toml") {
					t.Errorf("slot %s is %s, want %s", cycle.Slots[i].Slot, got, want)
				}
			}
			if cycle.CrankSource != c.source || cycle.Ended != protocol.EndedWatch {
				t.Errorf("source %q, ended %q", cycle.CrankSource, cycle.Ended)
			}
			sags := 0
			for _, k := range cycle.Battery.Crank {
				if k.Sag != nil {
					sags++
				}
			}
			if c.dips != (sags == 2) || !c.dips && sags > 0 {
				t.Errorf("%d sags", sags)
			}
			lines := 0
			for _, in := range s.inputs {
				if in.Kind == adc.LineInput {
					lines++
				}
			}
			if lines < 4 || lines%2 != 0 {
				t.Errorf("%d line changes are recorded", lines)
			}
		})
	}
}

// Whatever goes wrong on the way, every line is low soon after, the cycle is closed with
// a note of why, and nothing goes on.
func TestScriptStopsOnTrouble(t *testing.T) {
	for _, c := range []struct {
		name, why string
		within    time.Duration // until nothing is fed
		spoil     func(s *stand)
	}{
		{"emergency stop", "the emergency stop is pressed", 20 * time.Millisecond, func(s *stand) { s.lines["stop"].Put(false) }},
		{"broken wire of the stop", "the emergency stop is pressed", 20 * time.Millisecond, func(s *stand) { s.lines["stop"].Fault = adctest.LineError }},
		{"disarmed", "disarmed at the bench", 20 * time.Millisecond, func(s *stand) { s.disarmed = true }},
		{"relay lets go", "terminal 75 is switched on", 100 * time.Millisecond, func(s *stand) { s.board.Switch(s.bus.Now(), vehicle.Contact{Relay: vehicle.Terminal75}, false) }},
		{"start pulls in", "line relay-50 is switched off and its contact says otherwise", 30 * time.Millisecond, func(s *stand) { s.board.Switch(s.bus.Now(), vehicle.Contact{Relay: vehicle.Terminal50}, true) }},
		{"watchdog line stuck", "line pulse is switched on and its contact says otherwise", 150 * time.Millisecond, func(s *stand) { s.lines["pulse"].Fault = adctest.LineStuckHigh }},
		{"write fails", "line pulse could not be written", 30 * time.Millisecond, func(s *stand) { s.lines["pulse"].Fault = adctest.LineError }},
		{"read-back lost", "line pulse is switched on and its contact says otherwise", 20 * time.Millisecond, func(s *stand) { s.lines["pulse-back"].Fault = adctest.LineError }},
		{"chip unplugged", "the bench supply is at NaN V", 250 * time.Millisecond, func(s *stand) { s.chips[0].Unplug(s.bus.Now()) }},
		{"loop stands still", "the program stood still for", 1020 * time.Millisecond, func(s *stand) { s.bus.SleepUntil(s.bus.Now().Add(time.Second)) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStand(t, "short.toml", false)
			spoiled, opened := adc.Instant(0), adc.Instant(0)
			s.each = func(now adc.Instant) {
				switch {
				case spoiled == 0 && slices.Contains(s.log, "on") && s.board.Closed(vehicle.Terminal15):
					c.spoil(s)
					spoiled = now
				case spoiled != 0 && opened == 0 && !s.board.Closed(vehicle.Terminal15):
					opened = now
				case opened != 0 && s.board.Closed(vehicle.Terminal15):
					t.Fatal("terminal 15 is fed again")
				}
			}
			s.run()
			if within := opened.Sub(spoiled); opened == 0 || within > c.within {
				t.Errorf("terminal 15 was fed for %v more, want %v", within, c.within)
			}
			if s.over == nil || !strings.Contains(*s.over, c.why) || *s.over == "" {
				t.Fatalf("over %v, want %q; %q", s.over, c.why, s.log)
			}
			noted := slices.ContainsFunc(s.final().Notes, func(n protocol.Note) bool { return strings.Contains(n.Text, c.why) })
			if !noted {
				t.Errorf("no note of why in %+v", s.final().Notes)
			}
		})
	}
}

// A key switch that was left on when the program began arms nothing, though at first no lead
// is known; one that is turned on, or an id that is typed, as soon as the program looks, arms
// once the leads are known, but not where stop was pressed meanwhile.
func TestArmingBeforeTheBenchIsKnown(t *testing.T) {
	for _, c := range []struct{ left, pressed bool }{{true, false}, {false, false}, {false, true}} {
		s := newStand(t, "short.toml", false)
		began, readyAt := s.bus.Now(), adc.Instant(0)
		s.each = func(now adc.Instant) {
			if s.core.drive.ready && readyAt == 0 {
				readyAt = now
			}
			s.armed = c.left || readyAt != 0
			s.lines["stop"].Put(!c.pressed || readyAt != 0 && now.Sub(readyAt) > 15*time.Millisecond)
			if now.Sub(began) > 3*time.Second {
				s.stop()
			}
		}
		s.run()
		log := strings.Join(s.log, " ")
		if armed := strings.Contains(log, "armed"); armed == (c.left || c.pressed) || strings.Contains(log, "latched") != c.pressed {
			t.Errorf("%+v: %q", c, s.log)
		}
	}
}

// No request that comes over the network arms a bench or switches a line.
func TestNoRequestArms(t *testing.T) {
	s := newStand(t, "short.toml", false)
	began, asked := s.bus.Now(), 0
	verbs := []string{"begin", "close", "note", "replay", "identify", "arm", "drive", "script", "start", "line", "load"}
	s.each = func(now adc.Instant) {
		if now.Sub(began) > time.Duration(asked+1)*200*time.Millisecond {
			r := &protocol.Request{Verb: protocol.VerbBegin, Client: "tablet", ID: fmt.Sprint("r-", asked), Position: protocol.PositionOn}
			r.Header = protocol.Header{Bench: "driven", Boot: "0123abcd", MonoNS: int64(s.core.now)}
			r.ExpiresNS = int64(s.core.now.Add(time.Minute))
			payload, err := protocol.Encode(r)
			if err != nil {
				t.Fatal(err)
			}
			verb := verbs[asked%len(verbs)]
			s.core.answer(t.Context(), request{verb, []byte(strings.Replace(string(payload), `"verb":"begin"`, `"verb":"`+verb+`"`, 1)), false})
			asked++
		}
		s.off()
		if asked > 2*len(verbs) {
			s.stop()
		}
	}
	ctx, stop := context.WithCancel(t.Context())
	was := s.stop
	s.stop = func() { was(); stop() }
	s.scanner.Run(ctx)
	if len(s.log) > 0 || asked < len(verbs) {
		t.Errorf("%d requests, %q", asked, s.log)
	}
}

// driveTo runs a script until the key is at on.
func driveTo(t *testing.T, position string) *stand {
	t.Helper()
	s := newStand(t, "short.toml", false)
	s.each = func(adc.Instant) {
		if slices.Contains(s.log, position) {
			s.stop()
		}
	}
	s.run()
	if !s.lines["relay-15"].High() {
		t.Fatalf("terminal 15 is not fed: %q", s.log)
	}
	return s
}

// Where the program ends in the middle of a script, it switches everything off.
func TestEndOfTheProgramSwitchesOff(t *testing.T) {
	s := driveTo(t, "on")
	s.core.run(t.Context(), nil) // no bus is left
	s.off()
}

// Where samples no longer come, nobody waits for the next one.
func TestNoSamplesSwitchOff(t *testing.T) {
	s := driveTo(t, "on")
	s.core.driveLate(t.Context())
	if !s.lines["relay-15"].High() {
		t.Error("off, though a sample came just now")
	}
	s.bus.SleepUntil(s.bus.Now().Add(drive.DeadMan + time.Millisecond))
	s.core.driveLate(t.Context())
	s.off()
}

// A script on a bench that may not have one is no daemon.
func TestVehicleIsNotDriven(t *testing.T) {
	s := newStand(t, "short.toml", false)
	s.core.o.Drive.Bench.OffVehicle = false
	if _, err := newCore(s.core.o); err == nil || !strings.Contains(err.Error(), "a person turns the key") {
		t.Errorf("%v", err)
	}
}

// What stands behind a slot's volts is told: a sound feed, one behind a bad joint, and a
// ghost, which a lead alone takes for volts.
func TestSourcesAreTested(t *testing.T) {
	for _, c := range []struct {
		ohm     float64
		finding protocol.SourceFinding
	}{{0.05, protocol.SourceFeed}, {0.4, protocol.SourceHighResistance}} {
		s := newStand(t, "short.toml", false, vehicle.BoardSlot{Feed: vehicle.Terminal15, SourceOhm: c.ohm, LoadOhm: 4.7},
			vehicle.BoardSlot{GhostV: 12, GhostOhm: 15e3}, vehicle.BoardSlot{}, vehicle.BoardSlot{Feed: vehicle.Terminal30, SourceOhm: 0.05})
		s.run()
		cycle := s.final()
		got := cycle.Slots[0].Source
		if got == nil || got.Finding != c.finding || got.Position != protocol.PositionOn || got.IncludesProbe || got.PathMOhm == nil {
			t.Fatalf("%g ohm: %+v", c.ohm, got)
		}
		if d := math.Abs(float64(*got.PathMOhm) - c.ohm*1e3); d > 2*float64(*got.PathUMOhm) || *got.PathUMOhm > 30 {
			t.Errorf("%v ± %v mohm, want %g", *got.PathMOhm, *got.PathUMOhm, c.ohm*1e3)
		}
		// The level is that without a load: 12.6 V, open.
		on := slices.IndexFunc(cycle.Slots[0].Leads[0].Levels, func(l protocol.PositionLevel) bool { return l.Position == protocol.PositionOn })
		if on < 0 || math.Abs(float64(cycle.Slots[0].Leads[0].Levels[on].V)-12.6) > 2*float64(cycle.Slots[0].Leads[0].Levels[on].UV)+0.005 {
			t.Errorf("%g ohm: levels %+v", c.ohm, cycle.Slots[0].Leads[0].Levels)
		}
		if g := cycle.Slots[1].Source; g == nil || g.Finding != protocol.SourceGhost || g.PathMOhm != nil {
			t.Errorf("the ghost: %+v", g)
		}
		if cycle.Slots[3].Source != nil {
			t.Errorf("a slot that was not tested: %+v", cycle.Slots[3].Source)
		}
	}
}
