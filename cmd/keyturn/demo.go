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

	"keyturn/adc"
	"keyturn/adc/capture"
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
