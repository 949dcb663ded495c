package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/capture"
	"keyturn/adc/vehicle"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/dashboard"
	"keyturn/daemon/link"
	"keyturn/protocol"
)

// demo runs the unmodified daemon on register-level chips wired to a simulated
// vehicle, an ordinary subscriber that shows what arrives, and the shop's dashboard.
type demo struct {
	Once      bool   `help:"End after one key cycle."`
	JSON      bool   `name:"json" help:"Print only the final cycle document, as JSON."`
	Fast      bool   `help:"Run on simulated time, as fast as the machine can."`
	Seed      uint64 `help:"Draw another vehicle. 0 is a tidy box with one of each thing." default:"0"`
	Broker    string `help:"Use this broker instead of one in memory." placeholder:"URL"`
	Truth     string `help:"Write what really happened in the first cycle, as JSON lines." placeholder:"FILE" xor:"truth"`
	Parked    bool   `help:"Instead: a vehicle that is parked for more than an hour, on simulated time, with a shunt monitor on its battery. One key cycle." xor:"truth"`
	Record    string `help:"Record every input of the bench as a capture." placeholder:"FILE"`
	Listen    string `help:"Loopback address of the dashboard; without it 127.0.0.1:8733 or, where that is taken, a free port. With --once, --fast and --json there is a dashboard only if this or --keep is given." placeholder:"ADDRESS" xor:"listen"`
	Keep      string `help:"Keep the dashboard's records in this folder; without it they are thrown away." placeholder:"DIR" xor:"keep"`
	Exercise  string `help:"Instead: the box of an exercise file, with its faults, to practise on. You turn the key and hold a simulated meter on the dashboard; the exercise is released." type:"existingfile" placeholder:"FILE" xor:"truth"`
	Exercises string `help:"Folder of exercise files that the dashboard offers; those on a vehicle whose slots the bench has can be released." type:"existingdir" placeholder:"FOLDER"`
	Alone     bool   `name:"no-dashboard" help:"Open no dashboard." xor:"listen,keep"`
	Requests  bool   `help:"Take requests over MQTT."`
	Width     int    `help:"Columns to print in; 0 asks the terminal." default:"0"`
}

// demoListen is where the demo's dashboard is, unless that is taken.
const demoListen = "127.0.0.1:8733"

// demoBench is the id of the demo's bench.
const demoBench = "demo"

// Run runs the demo until it is interrupted, or until one cycle is final.
func (d *demo) Run(ctx context.Context) error {
	url := d.Broker
	if url == "" {
		b, err := startBroker()
		if err != nil {
			return err
		}
		defer b.Close()
		url = b.url
	}
	sim, err := d.simulation(url)
	var hand *practice
	if d.Exercise != "" {
		if hand, err = d.practice(url); err == nil {
			sim = hand.simulation
		}
	}
	if err != nil {
		return err
	}
	record, done, err := d.record(sim.bench)
	if err != nil {
		return err
	}
	defer done()
	sim.options.Record, sim.options.Requests = record, d.Requests

	ctx, stop := context.WithCancel(ctx)
	defer stop()
	address, closeShop, err := d.dashboard(ctx, url, hand)
	if err != nil {
		return err
	}
	defer closeShop()
	show := newShow(os.Stdout, d.width(), d.JSON)
	show.once, show.dashboard = d.Once, address
	if d.JSON && address != "" {
		fmt.Fprintf(os.Stderr, "Dashboard: %s\n", address)
	} else if hand != nil {
		show.begin(hand)
	} else if !d.JSON {
		show.hello(sim, url)
	}
	finals, kept := make(chan struct{}, 1), make(chan struct{}, 1)
	sub, err := link.Subscribe(ctx, url, "keyturn-demo-reader", protocol.BenchFilter(protocol.DefaultRoot, demoBench), func(m link.Message) {
		if show.take(m.Topic, m.Payload) && d.Once {
			tell(finals)
		}
		if show.kept {
			tell(kept)
		}
	})
	if ctx.Err() != nil && err != nil {
		return nil // Ctrl-C came first
	}
	if err != nil {
		return err
	}
	defer sub.Close()

	ended := make(chan error, 1)
	go func() { ended <- daemon.Run(ctx, sim.options) }()
	select {
	case err = <-ended:
		return err
	case err = <-sub.Lost():
		err = fmt.Errorf("the demo's reader lost the broker: %w", err)
	case <-finals:
		if address != "" {
			err = waitKept(ctx, kept)
		}
	case <-ctx.Done():
	}
	stop()
	if runErr := <-ended; err == nil {
		err = runErr
	}
	if err == nil && d.Truth != "" {
		err = sim.writeTruth(d.Truth)
	}
	return err
}

// practice is the exercise that the options ask for.
func (d *demo) practice(broker string) (*practice, error) {
	if d.Once || d.Fast || d.JSON || d.Alone || d.Exercises != "" {
		return nil, errors.New("--exercise is done on the dashboard, by hand and in real time: leave out --once, --fast, --json, --no-dashboard and --exercises")
	}
	e, box, err := readExercise(d.Exercise)
	if err != nil {
		return nil, err
	}
	return newPractice(d.Exercise, &e, &box, broker)
}

// simulation is what the options ask for.
func (d *demo) simulation(broker string) (*simulation, error) {
	if !d.Parked {
		return newSimulation(d.Seed, d.Fast, d.Once, broker)
	}
	d.Once, d.Fast = true, true
	p, err := newParked(d.Seed, broker)
	if err != nil {
		return nil, err
	}
	return p.simulation, nil
}

// tell leaves a word that something has happened, if there is none yet.
func tell(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// keptMost is how long the records may take to have what was shown.
const keptMost = 10 * time.Second

// waitKept waits for the dashboard's record keeper.
func waitKept(ctx context.Context, kept <-chan struct{}) error {
	late := time.NewTimer(keptMost)
	defer late.Stop()
	select {
	case <-kept:
	case <-ctx.Done():
	case <-late.C:
		return fmt.Errorf("wait for the records to have the key cycle: no receipt in %v", keptMost)
	}
	return nil
}

// dashboard opens a dashboard on the demo's broker, if one is wanted, and returns its
// address.
func (d *demo) dashboard(ctx context.Context, url string, hand *practice) (address string, done func(), err error) {
	asked := d.Listen != "" || d.Keep != ""
	if d.Alone || !asked && (d.Once || d.Fast || d.JSON) {
		return "", func() {}, nil
	}
	dir, throwAway := d.Keep, func() error { return nil }
	if dir == "" {
		if dir, err = os.MkdirTemp("", "keyturn-demo-"); err != nil {
			return "", nil, fmt.Errorf("make a folder for the records: %w", err)
		}
		throwAway = func() error { return os.RemoveAll(dir) }
	} else if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", nil, fmt.Errorf("make a folder for the records: %w", err)
	}
	exercises, err := readExercises(d.Exercises)
	if err == nil && hand != nil {
		exercises = []dashboard.Exercise{hand.exercise}
	}
	if err != nil {
		return "", nil, errors.Join(err, throwAway())
	}
	o := shopOptions{broker: link.Broker{URL: url}, root: protocol.DefaultRoot, records: filepath.Join(dir, "records.db"), exercises: exercises,
		keeper: "records", client: "keyturn-demo", listen: cmp.Or(d.Listen, demoListen), logger: slog.New(slog.DiscardHandler)}
	if hand != nil {
		o.practice = hand
	}
	s, err := startShop(ctx, o)
	if errors.Is(err, unix.EADDRINUSE) && d.Listen == "" {
		fmt.Fprintf(os.Stderr, "Something else listens at %s, so the dashboard takes a free port.\n", demoListen)
		o.listen = "127.0.0.1:0"
		s, err = startShop(ctx, o)
	}
	if err != nil {
		return "", nil, errors.Join(err, throwAway())
	}
	if hand != nil {
		err = hand.release(ctx, s.records)
	}
	if err != nil {
		return "", nil, errors.Join(err, s.close(), throwAway())
	}
	return "http://" + s.address + "/", func() {
		if err := errors.Join(s.close(), throwAway()); err != nil {
			fmt.Fprintln(os.Stderr, "keyturn: dashboard:", err)
		}
	}, nil
}

// record opens the capture file; done closes it.
func (d *demo) record(b config.Bench) (record func(adc.Input), done func(), err error) {
	if d.Record == "" {
		return nil, func() {}, nil
	}
	f, err := os.Create(d.Record)
	if err != nil {
		return nil, nil, fmt.Errorf("record: %w", err)
	}
	text, err := b.TOML()
	if err != nil {
		f.Close()
		return nil, nil, err
	}
	w, err := capture.NewWriter(f, capture.Header{Bench: b.ID, Note: "keyturn demo", BenchFile: text})
	if err != nil {
		f.Close()
		return nil, nil, fmt.Errorf("record: %w", err)
	}
	return w.Write, func() {
		if err := w.Close(); err != nil {
			fmt.Fprintln(os.Stderr, "keyturn: record:", err)
		}
		f.Close()
	}, nil
}

func (d *demo) width() int {
	if d.Width > 0 {
		return d.Width
	}
	return terminalWidth(os.Stdout)
}

// simulation is a vehicle, its bench and the daemon's options.
type simulation struct {
	vehicle *vehicle.Vehicle
	bench   config.Bench
	options daemon.Options
}

// fastStart is when simulated time begins on the clock of its boot.
const fastStart = adc.Instant(10 * time.Second)

// newSimulation wires a vehicle of a seed to register-level chips; with once, nobody
// turns its key a second time. Its bench is written as a bench file and read back, as
// any bench is.
func newSimulation(seed uint64, fast, once bool, broker string) (*simulation, error) {
	var clock adc.Clock
	start := fastStart
	bo := adctest.BusOptions{Seed: seed, OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}
	if !fast {
		real, err := adc.NewRealClock()
		if err != nil {
			return nil, fmt.Errorf("read the monotonic clock: %w", err)
		}
		clock, start = real, real.Now()
		bo.OverheadMin, bo.OverheadMax = 0, 0 // the host adds its own
	}
	bo.Clock, bo.Start = clock, start
	bus := adctest.NewBus(bo)
	v := vehicle.New(seed, vehicle.Options{Start: start, Tidy: seed == 0})
	s, err := simulate(seed, bus, clock, benchOf(v, broker), func(lead int) adctest.Wave {
		if once {
			return &standing{Wave: v.Wave(lead), from: v.Ends(0)}
		}
		return v.Wave(lead)
	})
	if err != nil {
		return nil, err
	}
	s.vehicle = v
	return s, nil
}

// standing is a wave that stands still from an instant on. Simulated time can be cycles
// ahead of who reads the documents, and what was to be one key cycle would be several
// in the records.
type standing struct {
	adctest.Wave
	from adc.Instant
	v    float64 // over the last window before
}

// Mean returns the mean voltage over a window, in volts.
func (s *standing) Mean(from, to adc.Instant) float64 {
	if to < s.from {
		s.v = s.Wave.Mean(from, to)
	}
	return s.v
}

// simulate puts a bench's chips on a bus, behind waves at their leads' pins. Without a
// clock it runs on simulated time.
func simulate(seed uint64, bus *adctest.Bus, clock adc.Clock, file config.Bench, wave func(lead int) adctest.Wave) (*simulation, error) {
	text, err := file.TOML()
	if err != nil {
		return nil, err
	}
	bench, err := config.ParseBench(text, parts.Families())
	if err != nil {
		return nil, fmt.Errorf("the demo's bench file:\n%w", err)
	}
	for i, c := range bench.Chips {
		off := 0.07*float64((seed*5+uint64(i)*3)%9)/8 - 0.035
		oscillator := func(adc.Instant) float64 { return off }
		var inputs [4]adctest.Wave
		for k, l := range bench.Leads {
			if l.Chip == c.Name {
				inputs[l.Input] = wave(k)
			}
		}
		if c.Family == parts.FamilyINA226 {
			bus.Add(adctest.NewINA226(adctest.INA226Options{Address: uint16(c.Address), Seed: seed<<4 + uint64(i), NoiseV: adctest.ShuntNoiseV, OffsetV: -4e-6, Shunt: inputs[0], Oscillator: oscillator}))
			continue
		}
		bus.Add(adctest.NewADS1x15(adctest.ADS1x15Options{Address: uint16(c.Address), Seed: seed<<4 + uint64(i), NoiseV: adctest.DataSheetNoiseV, Inputs: inputs, Oscillator: oscillator}))
	}
	made, err := parts.Assemble(bench, parts.ScanMode, func(string) (i2c.Bus, adc.Clock, error) { return bus, bus, nil })
	if err != nil {
		return nil, err
	}
	o := daemon.Options{
		Bench: bench.ID, Root: bench.MQTT.Root, Broker: link.Broker{URL: file.MQTT.Broker, ClientID: "keyturn-demo-bench"},
		Params:      bench.Params(),
		Description: daemon.Describe(bench, "keyturn demo "+version, func(chip string) time.Duration { return made.Bound[chip] }),
		Buses:       made.Buses, Blocking: clock == nil,
	}
	seat(&o.Description)
	if clock == nil {
		o.Boot, o.Stream = fmt.Sprintf("%08x-0000", uint32(seed)+0xd0e0), fmt.Sprintf("demo-%x", seed)
		day := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
		o.Wall = func(t adc.Instant) (time.Time, time.Duration, bool) {
			return day.Add(time.Duration(t)), time.Millisecond, true
		}
	} else {
		o.Boot, o.Stream = parts.Boot(), fmt.Sprintf("demo-%x", time.Now().UnixNano())
		o.Wall = parts.Wall(clock.(*adc.RealClock))
	}
	return &simulation{bench: bench, options: o}, nil
}

// seat lays the slots of a simulated vehicle out in a box of six columns.
func seat(d *protocol.Description) {
	const columns = 6
	d.Box = &protocol.BenchBox{Box: "demo-box", Datum: "label upright, hinge at top", Zone: "cabin", Rows: (len(d.Slots) + columns - 1) / columns, Columns: columns}
	for i := range d.Slots {
		d.Slots[i].Place = &protocol.Place{Row: i/columns + 1, Column: i%columns + 1}
		d.Slots[i].Sides = []string{"left", "right"}
	}
}

// benchOf is the bench file of a simulated vehicle.
func benchOf(v *vehicle.Vehicle, broker string) config.Bench {
	b := config.Bench{ID: demoBench, Subject: "vehicle", IgnitionSlot: v.IgnitionSlot, MQTT: config.MQTT{Broker: broker}}
	b.Limits.WatchS = vehicle.WatchSeconds
	b.Buses = []config.Bus{{Name: "simulated", Hz: 400000}}
	for i := range 4 {
		b.Chips = append(b.Chips, config.Chip{Name: fmt.Sprintf("adc-%d", i+1), Family: "ads1115", Bus: "simulated", Address: 0x48 + i, Rate: 860, RangeV: 4.096})
	}
	slotOf, sideOf := map[int]string{}, map[int]string{}
	for _, s := range v.Slots {
		b.Slots = append(b.Slots, config.Slot{Name: s.Name, Legend: s.Legend})
		for i, l := range s.Leads {
			slotOf[l] = s.Name
			if len(s.Sides) > 0 {
				sideOf[l] = s.Sides[i]
			}
		}
	}
	roles := map[int]string{v.BatterySense: config.RoleBatterySense, v.Terminal75: config.RoleTerminal75, v.Terminal15: config.RoleTerminal15,
		v.Terminal50: config.RoleTerminal50, v.Terminal61: config.RoleTerminal61}
	for i, l := range v.Leads {
		c := l.Calibration
		b.Leads = append(b.Leads, config.Lead{
			Name: l.Name, Chip: l.Chip, Input: l.Input, Role: roles[i], Slot: slotOf[i], Side: sideOf[i],
			UpperKOhm: 33, LowerKOhm: 2.7, CapacitorNF: 560,
			Calibration: &config.Calibration{Gain: c.Gain, OffsetV: c.OffsetV, UGain: c.UGain, UOffsetV: c.UOffsetV, Date: c.Date,
				TauUS: float64(l.Tau) / 1e3, TauFloatingUS: float64(l.TauFloating) / 1e3, UTau: l.UTau},
		})
	}
	return b
}

// writeTruth writes the truth of the first cycle.
func (s *simulation) writeTruth(name string) error {
	f, err := os.Create(name)
	if err != nil {
		return fmt.Errorf("write the truth: %w", err)
	}
	if err := s.vehicle.Truth(0).Write(f); err != nil {
		f.Close()
		return fmt.Errorf("write the truth: %w", err)
	}
	return f.Close()
}
