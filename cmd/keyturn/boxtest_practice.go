package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/link"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// practiceBox is a simulated bench with a simulated box on it, in which faults are planted:
// relays, test loads and bleed resistors on simulated lines. Each round is a board of its
// own, so a back-feed goes from the first place to another only.
type practiceBox struct {
	bench   config.Bench
	box     *config.Box
	seed    uint64
	dips    bool           // a start pulls the supply down
	clock   *adc.RealClock // nil on simulated time
	broker  *broker
	outbox  daemon.Outbox
	boot    string
	planted []config.PlantedFault
	shorted bool     // a short to earth is behind a busbar
	loadOhm float64  // of the test loads
	off     []string // leads that are off

	ends func() adc.Instant // of the inputs so far

	listen string // where its pages are heard; empty: there are none
	shop   *shop
}

// practiceBox makes one as the flags say.
func (c *boxTest) practiceBox(box *config.Box) (*practiceBox, error) {
	p, err := newPracticeBox(box, c.Seed, c.Fast, c.Crank == string(protocol.CrankSupplyDip))
	if err == nil && (c.Listen != "" || !c.Fast) {
		p.listen = cmp.Or(c.Listen, "127.0.0.1:0")
	}
	return p, err
}

// newPracticeBox plants three faults by a seed, in slots that get leads.
func newPracticeBox(box *config.Box, seed uint64, fast, dips bool) (*practiceBox, error) {
	p := &practiceBox{bench: practicePlaces(), box: box, seed: seed, dips: dips, loadOhm: practiceLoadOhm, boot: fmt.Sprintf("%08x-0000", uint32(seed)+0xb0e0), ends: func() adc.Instant { return fastStart }}
	if !fast {
		clock, err := adc.NewRealClock()
		if err != nil {
			return nil, fmt.Errorf("read the monotonic clock: %w", err)
		}
		p.clock, p.boot = clock, parts.Boot()
	}
	rounds, err := p.bench.Rounds(box, nil, nil)
	if err != nil {
		return nil, err
	}
	p.plant(rounds)
	if p.broker, err = startBroker(); err != nil {
		return nil, err
	}
	p.outbox = outbox.NewMemory(outbox.MemoryOptions{Stream: fmt.Sprintf("practice-%x", time.Now().UnixNano()), Block: fast})
	return p, nil
}

// plant draws which slot has which fault.
func (p *practiceBox) plant(rounds []config.Round) {
	rng := rand.New(rand.NewPCG(p.seed, 0xb0c5))
	var slots []string
	for _, r := range rounds {
		for _, x := range r.Places[1:] {
			s := p.box.Slot(x.Slot)
			if !slices.Contains(slots, x.Slot) && s.Expected != "none" && s.Expected != "engine-running" && s.Expected != "start-only" && s.Expected != "switch-operated" && s.RatingA >= 5 {
				slots = append(slots, x.Slot)
			}
		}
	}
	rng.Shuffle(len(slots), func(i, k int) { slots[i], slots[k] = slots[k], slots[i] })
	for i, f := range []config.PlantedFault{{Kind: config.OpenCircuit}, {Kind: config.SeriesResistance, Ohm: 0.2}, {Kind: config.BackFeed, From: rounds[0].Places[0].Slot, Ohm: 0.1}} {
		if i < len(slots) {
			f.Slot = slots[i]
			p.planted = append(p.planted, f)
		}
	}
}

func (p *practiceBox) file() config.Bench { return p.bench }

// sense reads the supply; on simulated time a bench of its own does.
func (p *practiceBox) sense(ctx context.Context) (v, u float64, err error) {
	bo := adctest.BusOptions{Seed: p.seed, Start: p.ends() + adc.Instant(time.Second)}
	if p.clock != nil {
		bo.Clock, bo.Start = p.clock, p.clock.Now()
	}
	bus := adctest.NewBus(bo)
	board := vehicle.NewBoard(vehicle.BoardOptions{Start: bo.Start, Seed: p.seed, Shorted: p.shorted})
	putChips(bus, &p.bench, p.seed, func(lead int) adctest.Wave { return board.Wave(min(lead, practiceOwn-1)) })
	return senseVolts(ctx, p.bench, func(string) (i2c.Bus, adc.Clock, error) { return bus, bus, nil })
}

func (p *practiceBox) rest(in config.Bench, r config.Round) (daemon.Options, adc.Instant, error) {
	o, _, _, err := p.seat(in, r, false)
	return o, p.ends(), err
}

// begin builds the board of a round and wires it.
func (p *practiceBox) begin(in config.Bench, r config.Round) (o daemon.Options, lines *parts.Lines, now func() adc.Instant, err error) {
	o, board, places, err := p.seat(in, r, false)
	if err != nil {
		return o, nil, nil, err
	}
	now = p.ends
	if p.clock != nil {
		now = p.clock.Now
	}
	w := wiring{bench: in, board: board, places: places, now: now, box: p.box}
	if lines, err = w.open(); err != nil {
		return o, nil, nil, err
	}
	record := o.Record
	o.Record = func(i adc.Input) {
		record(i)
		w.look()
	}
	if p.clock == nil {
		now = nil // that of the inputs
	}
	return o, lines, now, nil
}

// seat builds the board of a round, with its slots in the order that it returns, and the
// daemon's options on its leads.
func (p *practiceBox) seat(in config.Bench, r config.Round, byHand bool) (o daemon.Options, board *vehicle.Board, places []string, err error) {
	bo := adctest.BusOptions{Seed: p.seed + uint64(r.Number), Start: p.ends() + adc.Instant(time.Second)}
	if p.clock != nil {
		bo.Clock, bo.Start = p.clock, p.clock.Now()
	} else {
		bo.OverheadMin, bo.OverheadMax = 50*time.Microsecond, 50*time.Microsecond
	}
	for _, x := range r.Places {
		places = append(places, x.Slot)
	}
	slots := boardSlots(&config.Exercise{Faults: p.planted}, p.box, places)
	for i := range slots {
		slots[i].SourceOhm = max(0.004, slots[i].SourceOhm-soundOhm) // a box, without a vehicle's wires
		slots[i].LoadOhm = p.loadOhm
	}
	board = vehicle.NewBoard(vehicle.BoardOptions{Start: bo.Start, Seed: bo.Seed, BothSides: true, Dips: p.dips, ByHand: byHand, Slots: slots})
	for i, x := range r.Places {
		board.Switch(bo.Start, vehicle.Contact{Fuse: i + 1}, x.Fuse == "in")
	}
	o, err = p.assemble(in, adctest.NewBus(bo), func(lead int) adctest.Wave {
		l := &in.Leads[lead]
		n := slices.Index(places, l.Slot)
		if n < 0 {
			return board.Wave(lead) // the supply's and the terminals' come first
		}
		at := board.LoadSide(n)
		if s := p.box.Slot(l.Slot); feedFirst(s) == (l.Side == s.Sides()[0]) {
			at = practiceOwn + n
		}
		if slices.Contains(p.off, l.Name) {
			return hangsFree{board.Wave(at)}
		}
		return board.Wave(at)
	})
	latest := bo.Start // of the inputs; where time is simulated the core is behind the chips
	p.ends = func() adc.Instant { return latest }
	o.Record = func(i adc.Input) { latest = max(latest, i.At) }
	return o, board, places, err
}

// hangsFree is a lead that is off its contact. The contact's wave is read all the same: the
// board keeps what nobody has read.
type hangsFree struct{ adctest.Wave }

func (h hangsFree) Mean(from, to adc.Instant) float64 {
	h.Wave.Mean(from, to)
	return 0
}

// feedFirst reports whether the feed is on the first side of a slot: the left or the upper.
func feedFirst(s *config.BoxSlot) bool { return s.FeedSide == "" || s.FeedSide == s.Sides()[0] }

// assemble makes the daemon's options on simulated chips.
func (p *practiceBox) assemble(in config.Bench, bus *adctest.Bus, wave func(lead int) adctest.Wave) (daemon.Options, error) {
	putChips(bus, &in, p.seed, wave)
	made, err := parts.Assemble(in, parts.ScanMode, func(string) (i2c.Bus, adc.Clock, error) { return bus, bus, nil })
	if err != nil {
		return daemon.Options{}, err
	}
	o := daemon.Options{
		Bench: in.ID, Root: protocol.DefaultRoot, Broker: link.Broker{URL: p.broker.url, ClientID: "keyturn-box-test"}, Boot: p.boot,
		Params: in.Params(), Description: daemon.Describe(in, "keyturn "+version, func(chip string) time.Duration { return made.Bound[chip] }),
		Buses: made.Buses, Blocking: p.clock == nil, Outbox: p.outbox, Logger: slog.New(slog.DiscardHandler),
	}
	o.Wall = simulatedWall
	if p.clock != nil {
		o.Wall = parts.Wall(p.clock)
	}
	return o, nil
}

// pages opens a dashboard on the practice's own broker, whose records are in the folder.
func (p *practiceBox) pages(ctx context.Context, folder string) (address string, err error) {
	if p.listen == "" {
		return "", nil
	}
	p.shop, err = startShop(ctx, shopOptions{broker: link.Broker{URL: p.broker.url}, root: protocol.DefaultRoot, records: filepath.Join(folder, "records.db"),
		keeper: "records", client: "keyturn-box-test-pages", listen: p.listen, logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		return "", err
	}
	return p.shop.url, nil
}

// farewell says what was planted.
func (p *practiceBox) farewell(out io.Writer) error {
	var parts []string
	for _, f := range p.planted {
		switch f.Kind {
		case config.OpenCircuit:
			parts = append(parts, f.Slot+" has no feed")
		case config.SeriesResistance:
			parts = append(parts, fmt.Sprintf("%s has a joint of %g Ω", f.Slot, f.Ohm))
		case config.BackFeed:
			parts = append(parts, fmt.Sprintf("%s is fed from %s at its load side", f.Slot, f.From))
		}
	}
	_, err := fmt.Fprintf(out, "\nPlanted in this practice box: %s.\n", strings.Join(parts, "; "))
	return err
}

// Close ends pages and broker.
func (p *practiceBox) Close() (err error) {
	if p.shop != nil {
		err = p.shop.close()
	}
	return errors.Join(err, p.broker.Close())
}

// The bench of the practice: six places with two leads each, a load and a bleed resistor on
// the right or lower side.
const (
	practicePlacesN = 6
	practiceLoadOhm = 4.7
	practiceOwn     = 4 // leads before those of the places
)

func practicePlaces() config.Bench {
	b := config.Bench{ID: "practice-box", Subject: "off-vehicle", MQTT: config.MQTT{Broker: "tcp://127.0.0.1"},
		Drive: &config.Drive{Chip: "simulated", Arming: config.ArmingTyped, StartMaxS: 4, StartRestS: 4, StartsMost: 20, LoadMaxS: 1}}
	b.Buses = []config.Bus{{Name: "simulated", Hz: 400000}}
	roles := []string{config.RoleBatterySense, config.RoleTerminal75, config.RoleTerminal15, config.RoleTerminal50}
	for i := range practiceOwn + 2*practicePlacesN {
		chip := fmt.Sprintf("adc-%d", i/4+1)
		if i%4 == 0 {
			b.Chips = append(b.Chips, config.Chip{Name: chip, Family: "ads1115", Bus: "simulated", Address: 0x48 + i/4, Rate: 860, RangeV: 4.096})
		}
		l := config.Lead{Name: fmt.Sprintf("lead-%02d", i+1), Chip: chip, Input: i % 4, Role: config.RoleSlot, UpperKOhm: 33, LowerKOhm: 2.7, CapacitorNF: 560,
			Calibration: &config.Calibration{Gain: 35.7 / 2.7, UGain: 0.0005, UOffsetV: 0.002, Date: "2026-11-20"}}
		if i < practiceOwn {
			l.Role = roles[i]
		} else {
			l.Slot, l.Side = fmt.Sprintf("p%d", (i-practiceOwn)/2+1), []string{"left", "right"}[i%2]
		}
		b.Leads = append(b.Leads, l)
	}
	line := func(l config.Line) {
		l.Offset = len(b.Lines)
		b.Lines = append(b.Lines, l)
	}
	for _, role := range roles[1:] {
		line(config.Line{Name: "relay-" + strings.TrimPrefix(role, "terminal-"), Role: role})
	}
	line(config.Line{Name: "pulse", Role: config.LineWatchdog})
	line(config.Line{Name: "stop", Role: config.LineEmergencyStop})
	line(config.Line{Name: "pulse-back", Role: config.LineReadBack, Of: "pulse"})
	line(config.Line{Name: "start-back", Role: config.LineReadBack, Of: "relay-50"})
	for i := range practicePlacesN {
		place := fmt.Sprintf("p%d", i+1)
		b.Slots = append(b.Slots, config.Slot{Name: place})
		line(config.Line{Name: "load-" + place, Role: config.LineTestLoad, Slot: place, Side: "right", Ohm: practiceLoadOhm, Watt: 50, OwnWire: true})
		line(config.Line{Name: "bleed-" + place, Role: config.LineBleedResistor, Slot: place, Side: "right"})
	}
	return b
}

// wiring joins simulated lines to the contacts of a board.
type wiring struct {
	bench  config.Bench
	board  *vehicle.Board
	places []string // slots of the board, in its order
	box    *config.Box
	now    func() adc.Instant
	gpio   adctest.GPIO
	back   map[string]*adctest.GPIOLine // read-backs, by what they are of
}

// open opens the lines of the bench; the emergency stop is released.
func (w *wiring) open() (*parts.Lines, error) {
	w.back = map[string]*adctest.GPIOLine{}
	for _, l := range w.bench.Lines {
		line := w.gpio.Line(l.Offset)
		switch l.Role {
		case config.LineReadBack:
			w.back[l.Of] = line
		case config.LineEmergencyStop:
			line.Put(true)
		default:
			w.wire(&l, line)
		}
	}
	return parts.OpenLines(w.bench, func(_ string, offset int) (gpio.PinIO, error) { return w.gpio.Line(offset), nil })
}

// wire lets a line switch what it is for.
func (w *wiring) wire(l *config.Line, line *adctest.GPIOLine) {
	slot := 1 + slices.Index(w.places, l.Slot)
	contact := map[string]vehicle.Contact{config.RoleTerminal75: {Relay: vehicle.Terminal75}, config.RoleTerminal15: {Relay: vehicle.Terminal15},
		config.RoleTerminal50: {Relay: vehicle.Terminal50}, config.LineTestLoad: {Load: slot}, config.LineBleedResistor: {Bleed: slot}}[l.Role]
	role, was := l.Role, false
	line.Wire = func(high bool) {
		if high == was {
			return
		}
		was = high
		switch {
		case role == config.LineWatchdog:
			w.board.Pulse(w.now())
		case contact != vehicle.Contact{}: // else of a place that hangs free
			w.board.Switch(w.now(), contact, high)
		}
		switch {
		case role == config.RoleTerminal15 && high:
			w.work(true, 600*time.Millisecond)
		case role == config.RoleTerminal50 && !high:
			w.work(false, 1200*time.Millisecond)
		}
	}
}

// work operates the slots' own switches a while after the key, as the operator is asked
// to.
func (w *wiring) work(on bool, after time.Duration) {
	for i, id := range w.places {
		if w.box.Slot(id).Expected == "switch-operated" {
			w.board.Switch(w.now().Add(after), vehicle.Contact{Switch: i + 1}, on)
		}
	}
}

// look lets the read-back contacts follow.
func (w *wiring) look() {
	w.back["relay-50"].Put(w.board.Closed(vehicle.Terminal50))
	w.back["pulse"].Put(w.board.Supplied(w.now()))
}
