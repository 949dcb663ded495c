package daemon

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/daemon/config"
	"keyturn/daemon/drive"
	"keyturn/daemon/drive/drivetest"
	"keyturn/daemon/measure"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// ordeal is a bench by script to which everything happens: the core and the shell that
// drive it as they are, on a board whose judge knows only adc/DRIVE.md. Time is virtual,
// and what the leads show is put where the core keeps it.
type ordeal struct {
	t       *testing.T
	options Options
	rng     *rand.Rand
	wrong   *wrong
	short   bool // limits
	board   *drivetest.Board
	lines   []*adctest.GPIOLine
	stop    *adctest.GPIOLine
	back    []*adctest.GPIOLine // read-backs, nil where there is none
	bench   drive.Bench
	dips    bool
	typed   bool
	core    *core // nil while no program runs

	now      time.Duration
	skew     time.Duration // of the program's clock
	armed    bool
	armAt    time.Duration // when somebody turns the key switch, or types
	restart  time.Duration // when a program is started again
	told     bool          // it said that everything is off
	back0    bool          // its clock went back
	pressed  bool
	cut      bool
	broken   bool // the wire of the stop's second contact
	blind    int  // terminal whose lead shows nothing, -1 for none
	stuck    int  // relay whose contact does not move, -1 for none
	supplyV  float64
	sampled  time.Duration
	first    time.Duration // turn of the program; 0: none yet
	known    bool          // it has seen supply and terminals
	turned   time.Duration // for a program whose clock hides that it stood still
	frozen   bool          // samples do not come
	heals    time.Duration
	coils    []contact
	asked    int
	starting time.Duration // the start's line was last high
	seen     map[string]int
	story    []string
}

// contact is one that follows its coil a little later.
type contact struct {
	closed, coil bool
	since        time.Duration // its coil is so
	contrary     time.Duration // since when it contradicts the line's level; -1: it does not
}

// showed is what the program is shown at a turn.
type showed struct {
	armed, stop bool
	supplyV     float64
	sampled     time.Duration
}

const relayFollows = 12 * time.Millisecond

// limitsOf is what a board's judge is told of the limits of a bench: those of
// adc/DRIVE.md, or shorter ones, so that more happens.
func limitsOf(short bool) (drive.Limits, drivetest.Limits) {
	l := drive.Limits{}
	j := drivetest.Limits{StartMax: 10 * time.Second, StartRest: 30 * time.Second, StartsMost: 5, StartsWithin: 10 * time.Minute, LoadMax: 2 * time.Second, LoadDuty: 0.1, HeatJ: 10, SupplyHighV: 15}
	if short {
		j.StartMax, j.StartRest, j.StartsMost, j.StartsWithin = 700*time.Millisecond, 1500*time.Millisecond, 2, 8*time.Second
		j.LoadMax, j.LoadDuty = 600*time.Millisecond, 0.3
		l = drive.Limits{StartMax: j.StartMax, StartRest: j.StartRest, StartsMost: j.StartsMost, StartsWithin: j.StartsWithin, LoadMax: j.LoadMax, LoadDuty: j.LoadDuty}
	}
	return l, j
}

// theDriven is the bench of the example file.
func theDriven(t *testing.T) config.Bench {
	t.Helper()
	text, err := os.ReadFile("../testdata/benches/driven.toml")
	if err != nil {
		t.Fatal(err)
	}
	b, err := config.ParseBench(text, []config.Family{{Name: "ads1115", Inputs: 4, Addresses: []int{0x48, 0x49}}})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// newOrdeal draws a bench, its script and how it is armed.
func newOrdeal(t *testing.T, file *config.Bench, options Options, seed uint64, w *wrong) *ordeal {
	o := &ordeal{t: t, options: options, rng: rand.New(rand.NewPCG(seed, 17)), wrong: w, blind: -1, stuck: -1, supplyV: 12.6, now: time.Hour, sampled: time.Hour, turned: time.Hour, seen: map[string]int{}}
	o.short = o.rng.IntN(40) > 0
	limits, judged := limitsOf(o.short)
	o.bench = file.Driven()
	o.bench.Outputs = append(slices.Clone(o.bench.Outputs), drive.Output{Name: "load-f02", Role: drive.TestLoad, Slot: "f02", Ohm: 1, Watt: 12})
	o.bench.Limits = limits.WithDefaults()
	var lines []drivetest.Line
	for _, x := range o.bench.Outputs {
		kind := map[drive.Role]drivetest.Kind{drive.RelayAccessory: drivetest.Accessory, drive.RelayOn: drivetest.On, drive.RelayStart: drivetest.Start,
			drive.TestLoad: drivetest.Load, drive.BleedResistor: drivetest.Bleed, drive.Watchdog: drivetest.Watchdog}[x.Role]
		lines = append(lines, drivetest.Line{Name: x.Name, Kind: kind, Slot: x.Slot, Ohm: x.Ohm, Watt: x.Watt})
	}
	o.board = drivetest.NewBoard(lines, judged, o.now)
	o.board.Judge().Supply(o.supplyV)
	o.board.Holds = time.Duration(60+o.rng.IntN(141)) * time.Millisecond
	if w.board != nil {
		w.board(o.board)
	}
	if w.bench != nil {
		w.bench(&o.bench)
	}
	var chip adctest.GPIO
	o.stop = chip.Line(100)
	for i, x := range o.bench.Outputs {
		line := chip.Line(i)
		line.Wire = func(high bool) { o.board.Write(o.now, i, high) }
		o.lines = append(o.lines, line)
		var back *adctest.GPIOLine
		if x.ReadBack {
			back = chip.Line(200 + i)
		}
		o.back = append(o.back, back)
		o.coils = append(o.coils, contact{contrary: -1})
	}
	o.typed, o.dips = o.rng.IntN(3) == 0, o.rng.IntN(2) == 0
	o.begin()
	return o
}

// begin starts the program anew, as keyturnd --script does: first every line goes low, the
// watchdog's last.
func (o *ordeal) begin() {
	if !o.wrong.stale {
		for i, l := range o.lines {
			if o.bench.Outputs[i].Role != drive.Watchdog && l.Out(gpio.Low) != nil {
				o.restart = o.now + time.Second
				return // it ends, with what it could not have
			}
		}
		_ = o.lines[o.watchdog()].Out(gpio.Low)
	}
	s := o.draw()
	d := &Drive{Bench: o.bench, Script: s, Stop: o.stop, Now: func() adc.Instant { return adc.Instant(o.now + o.skew) },
		Tell: func(e drive.Event) {
			what := [...]string{"", "ready", "armed", "moved", "switched", "waiting", "unsettled", "latched", "ended"}[e.Kind]
			o.seen[what]++
			o.tell("%s %s %d %v %s", what, e.Position, e.Output, e.On, e.Why)
			if e.Kind == drive.Latched || e.Kind == drive.Ended {
				o.told = true
			}
		}}
	d.Armed = func() bool { return o.show().armed }
	for i, l := range o.lines {
		d.Outputs = append(d.Outputs, l)
		var back gpio.PinIn
		if o.back[i] != nil {
			back = o.back[i]
		}
		d.ReadBack = append(d.ReadBack, back)
	}
	options := o.options
	options.Drive, options.Outbox = d, outbox.NewMemory(outbox.MemoryOptions{Stream: "s"})
	c, err := newCore(&options)
	if err != nil {
		o.t.Fatal(err)
	}
	o.core, o.armed, o.first, o.known = c, false, 0, false
	o.armAt = o.now + time.Duration(o.rng.IntN(600))*time.Millisecond
	o.board.Pass(o.now)
	o.board.Judge().Begins()
}

func (o *ordeal) watchdog() int {
	return slices.IndexFunc(o.bench.Outputs, func(x drive.Output) bool { return x.Role == drive.Watchdog })
}

// show is what the program is shown now.
func (o *ordeal) show() showed {
	s := showed{armed: o.armed, stop: !o.pressed && !o.broken && !o.cut, supplyV: o.volts(), sampled: o.sampled}
	if o.wrong.show != nil {
		o.wrong.show(o, &s)
	}
	return s
}

// draw makes a script that the bench takes.
func (o *ordeal) draw() drive.Script {
	r, l := o.rng, o.bench.Limits.WithDefaults()
	part := func(d time.Duration) time.Duration {
		return max(10*time.Millisecond, time.Duration(r.Float64()*float64(d)))
	}
	for {
		s := drive.Script{CrankSource: drive.ContactOnly}
		if o.dips {
			s.CrankSource = drive.SupplyDip
		}
		stay := func(p drive.Position) {
			s.Steps = append(s.Steps, drive.Step{Position: p, For: part(300 * time.Millisecond)})
		}
		stay([]drive.Position{drive.Accessory, drive.On}[r.IntN(2)])
		for range 1 + r.IntN(6) {
			switch r.IntN(6) {
			case 0, 1:
				stay(drive.On)
				s.Steps = append(s.Steps, drive.Step{Position: drive.Start, For: part(l.StartMax)})
				stay(drive.On)
			case 2, 3:
				stay(drive.On)
				at := []drive.Position{drive.On, drive.On, drive.Accessory, drive.Off}[r.IntN(4)]
				s.Steps = append(s.Steps, drive.Step{Position: at, For: part(l.LoadMax), Loads: []string{[]string{"f01", "f02"}[r.IntN(2)]}})
			case 4:
				s.Steps = append(s.Steps, drive.Step{Position: drive.On, For: part(time.Second), Bleeds: []string{"f01", "f02"}[:1+r.IntN(2)]})
			case 5:
				s.Steps = append(s.Steps, drive.Step{Position: drive.On, Settled: part(300 * time.Millisecond), Most: time.Second})
			}
		}
		stay(drive.Off)
		if len(s.Check(&o.bench)) == 0 {
			return s
		}
	}
}

func (o *ordeal) tell(format string, args ...any) {
	o.story = append(o.story, fmt.Sprintf("%v ", o.now)+fmt.Sprintf(format, args...))
}

// volts is what the battery sense lead reads.
func (o *ordeal) volts() float64 {
	if o.dips && o.lines[2].High() && o.board.Carries(2) {
		return o.supplyV - 5
	}
	return o.supplyV
}

// follow lets contacts follow their coils, and says whether one contradicts its line for
// longer than adc/DRIVE.md lets it, or is not seen.
func (o *ordeal) follow() (tooLong bool) {
	for i := range o.coils {
		x := &o.coils[i]
		coil, level, within := o.board.Carries(i), o.board.High(i), 3100*time.Millisecond
		if i == o.watchdog() {
			coil = o.board.Held()
			level, x.closed = coil, coil
		}
		if coil != x.coil {
			x.coil, x.since = coil, o.now
		}
		if o.now-x.since >= relayFollows && o.stuck != i {
			x.closed = coil
		}
		if o.back[i] != nil {
			o.back[i].Put(x.closed && !o.cut)
			within = 200 * time.Millisecond
		}
		switch {
		case x.closed == level && (o.blind != i || o.back[i] != nil):
			x.contrary = -1
		case x.contrary < 0:
			x.contrary = o.now
		}
		if (o.back[i] != nil || i < 3) && x.contrary >= 0 && o.now-x.contrary > within {
			tooLong = true
		}
	}
	if o.board.High(2) {
		o.starting = o.now
	}
	return tooLong
}

// turn lets the program's loop turn once, because an input came or because none did.
func (o *ordeal) turn(ctx context.Context, late bool) {
	doubt := o.follow() || o.back0
	o.back0 = false
	if !o.frozen {
		o.sampled = o.now
	}
	s, c := o.show(), o.core
	o.stop.Put(s.stop)
	c.moment.volts[c.drive.sense] = s.supplyV
	for k, lead := range c.drive.key {
		c.moment.states[lead] = measure.Dead
		if o.coils[k].closed {
			c.moment.states[lead] = measure.Live
		}
		if k == o.blind {
			c.moment.states[lead] = measure.Unknown
		}
	}
	c.drive.sampled = adc.Instant(s.sampled + o.skew)
	c.now = c.drive.sampled
	v := drivetest.View{Armed: o.armed, StopReleased: !o.pressed && !o.broken && !o.cut, SupplyV: o.volts(), LowV: 11, Age: o.now - o.sampled, Doubt: doubt}
	if o.dips && o.starting > 0 && o.now-o.starting < 1200*time.Millisecond {
		v.LowV = 5
	}
	if o.first == 0 {
		o.first = o.now
	}
	o.known = o.known || o.blind < 0 && !math.IsNaN(o.volts())
	v.Unknown = !o.known && o.now-o.first < time.Second
	o.told = false
	j := o.board.Judge()
	j.Turn(v)
	if late {
		c.driveLate(ctx)
	} else {
		c.driveOn(ctx)
	}
	if o.told {
		j.Off()
	}
	j.Turned(!o.faulty())
}

// faulty reports whether a line does not take what is written.
func (o *ordeal) faulty() bool {
	return slices.ContainsFunc(o.lines, func(l *adctest.GPIOLine) bool { return l.Fault != adctest.LineSound })
}

func (o *ordeal) pass(d time.Duration) {
	o.now += d
	o.board.Pass(o.now)
}

func (o *ordeal) ms(most int) time.Duration {
	return time.Duration(1+o.rng.IntN(most)) * time.Millisecond
}

// play lets a time pass in which things happen, one in so many turns, and more often while
// a start or a load is on. At its end nobody attends to the bench any more.
func (o *ordeal) play(ctx context.Context, lasts time.Duration) {
	rare := []int{40, 120, 300, 800}[o.rng.IntN(4)]
	for end := o.now + lasts; o.now < end && o.board.Judge().Fault() == ""; {
		d := 5*time.Millisecond + o.ms(7)
		if o.rng.IntN(100) == 0 {
			d = 4*time.Millisecond + o.ms(96)
		}
		o.pass(d)
		o.people()
		often := 1
		if o.on(drive.RelayStart) || o.on(drive.TestLoad) {
			often = 8
		}
		if o.rng.IntN(rare) < often {
			o.happen(ctx)
		}
		switch {
		case o.core == nil && o.now >= o.restart:
			o.begin()
		case o.core != nil:
			o.turn(ctx, false)
			if o.told && o.typed {
				o.end()
			} else if o.told {
				o.armAt = o.now + o.ms(400)
			}
		}
	}
	o.core = nil
	o.pass(time.Second)
}

// people turn the key switch or type, and mend what is broken.
func (o *ordeal) people() {
	if o.armAt > 0 && o.now >= o.armAt && o.core != nil {
		o.armed, o.armAt = !o.armed, 0
		if !o.armed {
			o.armAt = o.now + o.ms(400)
		}
	}
	if o.heals == 0 || o.now < o.heals {
		return
	}
	// An edge holds the supply once. So nobody plugs in a line that is high though nothing
	// is armed: one that cannot be written, or one of a program that is gone.
	if faulty := o.faulty(); faulty || o.cut && o.core == nil {
		for _, l := range o.lines {
			l.Fault = adctest.LineSound
		}
		o.heals = o.now + 200*time.Millisecond
		return
	}
	o.heals, o.blind, o.stuck, o.broken, o.frozen, o.supplyV = 0, -1, -1, false, false, 11.5+3*o.rng.Float64()
	o.board.Judge().Supply(o.supplyV)
	if o.cut {
		o.cut = false
		o.board.Plug(o.now, true)
	}
	if o.pressed {
		o.pressed = false
		o.board.Stop(o.now, false)
	}
}

// end is the end of the program by itself or by a signal: everything is written low, and
// the watchdog's line only where all others were.
func (o *ordeal) end() {
	o.core.drive.off()
	o.gone()
	o.board.Judge().Off()
	o.board.Judge().Turned(!o.faulty())
}

// gone leaves a bench without a program for a while.
func (o *ordeal) gone() {
	o.core, o.armed = nil, false
	o.restart = o.now + o.ms(1500)
}

// on reports whether something of a kind carries current.
func (o *ordeal) on(r drive.Role) bool {
	for i, x := range o.bench.Outputs {
		if x.Role == r && o.board.Carries(i) {
			return true
		}
	}
	return false
}

// happen is something that happens to a bench.
func (o *ordeal) happen(ctx context.Context) {
	what := happenings[o.rng.IntN(len(happenings))]
	if o.core == nil && what != "stop" && what != "supply" {
		return
	}
	if o.on(drive.RelayStart) {
		o.seen[what+" in a start"]++
	}
	if o.on(drive.TestLoad) {
		o.seen[what+" under a load"]++
	}
	o.seen[what]++
	o.tell("%s", what)
	heals := o.now + o.ms(1200)
	switch what {
	case "stop":
		o.pressed, o.heals = true, heals
		o.board.Stop(o.now, true)
	case "broken wire":
		o.broken, o.heals = true, heals
	case "disarm":
		o.armAt = o.now
	case "request":
		o.ask(ctx)
	case "supply":
		o.supplyV, o.heals = []float64{math.NaN(), 2, 7, 10.5, 15.5, 30}[o.rng.IntN(6)], heals
		o.board.Judge().Supply(min(max(o.supplyV, 0), 15)) // above, only how soon everything is off counts
		if math.IsNaN(o.supplyV) {
			o.board.Judge().Supply(15)
		}
	case "blind lead":
		o.blind, o.heals = o.rng.IntN(3), heals
	case "no samples":
		o.frozen, o.heals = true, heals
	case "bus hangs":
		o.pass(drive.DeadMan + o.ms(100))
		o.frozen, o.heals = true, heals
		o.turn(ctx, true)
	case "write error":
		l := o.lines[o.rng.IntN(len(o.lines))]
		l.Fault = []adctest.LineFault{adctest.LineError, adctest.LineUnsure}[o.rng.IntN(2)]
		if o.wrong.lines != nil {
			o.wrong.lines(l)
		}
		o.heals = heals
	case "watchdog line stuck":
		o.lines[o.watchdog()].Fault = []adctest.LineFault{adctest.LineStuckHigh, adctest.LineStuckLow}[o.rng.IntN(2)]
		o.heals = heals
	case "contact stuck":
		o.stuck, o.heals = o.rng.IntN(3), heals
	case "late":
		o.pass(o.ms([]int{150, 400, 5000}[o.rng.IntN(3)]))
	case "clock back":
		o.skew, o.back0 = o.skew-time.Second-o.ms(10000), true
	case "cable":
		o.cut, o.heals = true, heals
		o.board.Plug(o.now, false)
	case "crash":
		if o.gone(); o.rng.IntN(2) == 0 { // the kernel lets the lines go, in the order of their opening
			for i := range o.lines {
				o.board.Write(o.now, i, o.board.High(i) && i == o.watchdog())
			}
			o.board.Write(o.now, o.watchdog(), false)
		}
	case "end":
		o.end()
	}
}

var happenings = []string{"stop", "broken wire", "disarm", "request", "supply", "blind lead", "no samples", "bus hangs", "write error",
	"watchdog line stuck", "contact stuck", "late", "clock back", "cable", "crash", "crash", "crash", "end"}

// ask lets somebody ask over the network for whatever there is a word for.
func (o *ordeal) ask(ctx context.Context) {
	o.asked++
	verb := []string{"begin", "close", "note", "replay", "identify", "arm", "drive", "script", "start", "line", "load"}[o.rng.IntN(11)]
	r := &protocol.Request{Verb: protocol.VerbBegin, Client: "tablet", ID: fmt.Sprint("r-", o.asked), Position: protocol.PositionOn}
	r.Header = protocol.Header{Bench: "driven", Boot: "0123abcd", MonoNS: int64(o.core.now)}
	r.ExpiresNS = int64(o.core.now.Add(time.Minute))
	payload, err := protocol.Encode(r)
	if err != nil {
		o.t.Fatal(err)
	}
	o.core.answer(ctx, request{verb, []byte(strings.Replace(string(payload), `"verb":"begin"`, `"verb":"`+verb+`"`, 1)), false})
}
