// Command keyturnd is the bench daemon: it samples the leads of a bench, measures
// every turn of the key and publishes the results over MQTT.
package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"os/signal"
	"slices"
	"sync"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/cmd/internal/attend"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/measure"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// version is set when a release is built.
var version = "development"

type flags struct {
	Config  string           `help:"Bench file." xor:"what" required:"" type:"existingfile" placeholder:"FILE"`
	Clock   string           `name:"tell-clock" help:"Do nothing but tell into a file how well the wall clock is known, for a daemon that may not ask the kernel." xor:"what" required:"" placeholder:"FILE"`
	Check   bool             `help:"Check the bench file, say what is wrong with it, and end."`
	Crank   bool             `name:"crank-mode" help:"Let each chip that has a crank_lead serve only that lead, at its full rate."`
	Script  string           `help:"Drive one key cycle of a box on a bench supply by this script, armed at the bench, and end." type:"existingfile" placeholder:"FILE"`
	Version kong.VersionFlag `help:"Print the version and end."`
}

func main() {
	var f flags
	kong.Parse(&f, kong.Name("keyturnd"), kong.Description("Measure every turn of the key on a bench and publish the results over MQTT."),
		kong.Vars{"version": version})
	if err := run(f); err != nil {
		fmt.Fprintln(os.Stderr, "keyturnd:", err)
		os.Exit(1)
	}
}

func run(f flags) error {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if f.Clock != "" {
		return parts.TellClock(ctx, f.Clock)
	}
	files, err := parts.Read(f.Config)
	if err != nil {
		return err
	}
	b := files.Read
	if f.Check {
		return check(os.Stdout, f.Config, b)
	}
	clock, err := adc.NewRealClock()
	if err != nil {
		return fmt.Errorf("read the monotonic clock: %w", err)
	}
	var opened []i2c.BusCloser
	defer func() {
		for _, x := range opened {
			_ = x.Close() // nothing is left to be done about it
		}
	}()
	open := func(name string) (i2c.Bus, adc.Clock, error) {
		x, err := parts.OpenKernelBus(name, b.Chips)
		if err == nil {
			opened = append(opened, x)
		}
		return x, clock, err
	}
	if f.Script == "" {
		return serve(ctx, f, files, clock, open, nil, newLogger())
	}
	return runScript(ctx, f, files, clock, open, parts.KernelLine)
}

// check says that a bench file is all right, and what is to be known of it.
func check(w io.Writer, name string, b config.Bench) error {
	for _, x := range b.Buses {
		if err := parts.CheckBusName(x.Name); err != nil {
			return fmt.Errorf("bench file %s: %w", name, err)
		}
	}
	fmt.Fprintf(w, "%s: bench %s, %s: all right\n", name, b.ID, parts.Size(b))
	for _, n := range b.Notes() {
		fmt.Fprintln(w, "note:", n)
	}
	for _, x := range beforeKey(b) {
		fmt.Fprintln(w, "before anybody turns the key:", x)
	}
	return nil
}

// runScript serves one script, on the lines that openLine returns, and ends with it.
func runScript(ctx context.Context, f flags, files parts.Files, clock *adc.RealClock, open parts.Open, openLine func(chip string, offset int) (gpio.PinIO, error)) error {
	s, err := readScript(f.Script, files.Read)
	if err != nil {
		return err
	}
	if err := attend.Armable(files.Read, os.Stdin); err != nil {
		return err
	}
	lines, err := parts.OpenLines(files.Read, openLine)
	if err != nil {
		return err
	}
	defer lines.Close()
	a, d := attend.New(files.Read, s, lines, clock.Now, attend.Cautions, attend.Typed(os.Stdin), os.Stdout)
	return a.Serve(ctx, d, func(ctx context.Context) error { return serve(ctx, f, files, clock, open, d, newLogger()) })
}

// serve runs the daemon on the buses that open returns, with all that belongs to a
// service around it, until the context is done. d is what it drives, nil for nothing.
func serve(ctx context.Context, f flags, files parts.Files, clock *adc.RealClock, open parts.Open, d *daemon.Drive, logger *slog.Logger) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	b, mode := files.Read, parts.ScanMode
	if f.Crank {
		mode = parts.CrankMode
	}
	o, speeds, err := parts.Prepare(files, "keyturnd", version, mode, open)
	if err != nil {
		return err
	}
	for name, s := range speeds { // a line each, in any order
		logger.Info("bus", "name", name, "khz", math.Round(s.Hz/1e3), "host_adds", s.Overhead.Round(time.Microsecond))
	}
	box, found, closeBox, err := parts.OpenOutbox(b, false, logger)
	if err != nil {
		return err
	}
	defer func() {
		if err := closeBox(); err != nil {
			logger.Error("the store could not be closed", "error", err)
		}
	}()
	if b.Store == "" {
		logger.Warn("the bench file names no store: results that the broker has not taken are lost when this program ends")
	}
	for _, x := range beforeKey(b) {
		logger.Info("before anybody turns the key", "look", x)
	}
	health := &daemon.Health{Temperature: temperature}
	if err := serveHealth(ctx, b.Health, health, logger); err != nil {
		return err
	}
	var told sync.WaitGroup
	told.Go(func() { notify(ctx, health, logger) })
	defer func() { stop(); told.Wait() }()
	o.Outbox, o.Findings, o.Health, o.Logger = box, append(o.Findings, found...), health, logger
	o.Learned = keepLearned(ctx, files.Calibration, b, logger)
	o.Wall, o.Drive = parts.Wall(clock), d
	return daemon.Run(ctx, o)
}

// beforeKey is what a person looks at before he turns the key.
func beforeKey(b config.Bench) []string {
	shunt := slices.ContainsFunc(b.Leads, func(l config.Lead) bool { return l.Role == config.RoleCurrent })
	return report.BeforeKey(protocol.Subject(b.Subject), shunt)
}

// newLogger writes to standard error; the journal stamps lines itself (systemd.exec(5),
// JOURNAL_STREAM).
func newLogger() *slog.Logger {
	var o slog.HandlerOptions
	if os.Getenv("JOURNAL_STREAM") != "" {
		o.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
			if len(groups) == 0 && a.Key == slog.TimeKey {
				return slog.Attr{}
			}
			return a
		}
	}
	return slog.New(slog.NewTextHandler(os.Stderr, &o))
}

// keepLearned returns what takes the leads' time constants and has them written
// meanwhile: what measures never waits for the disk. A lesson that comes while the
// one before is being written is left out; the next cycle brings a better one.
func keepLearned(ctx context.Context, c *parts.Calibration, b config.Bench, logger *slog.Logger) func([]measure.TimeConstants) {
	lessons := make(chan []measure.TimeConstants, 1)
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case k := <-lessons:
				if err := c.Learn(b, k); err != nil {
					logger.Warn("what the leads have taught could not be kept", "error", err)
				}
			}
		}
	}()
	return func(k []measure.TimeConstants) {
		select {
		case lessons <- k:
		default:
		}
	}
}
