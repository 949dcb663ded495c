// Command keyturnd is the bench daemon: it samples the leads of a bench, measures
// every turn of the key and publishes the results over MQTT.
package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/measure"
	"keyturn/daemon/outbox"
)

// version is set when a release is built.
var version = "development"

type flags struct {
	Config  string           `help:"Bench file." required:"" type:"existingfile" placeholder:"FILE"`
	Check   bool             `help:"Check the bench file, say what is wrong with it, and end."`
	Crank   bool             `name:"crank-mode" help:"Let each chip that has a crank_lead serve only that lead, at its full rate."`
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
	text, err := os.ReadFile(f.Config)
	if err != nil {
		return fmt.Errorf("read the bench file: %w", err)
	}
	bench, err := config.ParseBench(text, parts.Families())
	if err != nil {
		return fmt.Errorf("bench file %s:\n%w", f.Config, err)
	}
	calibration, err := parts.OpenCalibration(f.Config, &bench)
	if err != nil {
		return err
	}
	mode := parts.ScanMode
	if f.Crank {
		mode = parts.CrankMode
	}
	if f.Check {
		fmt.Printf("%s: bench %s, %d leads in %d slots on %d chips: all right\n", f.Config, bench.ID, len(bench.Leads), len(bench.Slots), len(bench.Chips))
		return nil
	}
	clock, err := adc.NewRealClock()
	if err != nil {
		return fmt.Errorf("read the monotonic clock: %w", err)
	}
	var opened []i2c.BusCloser
	defer func() {
		for _, b := range opened {
			_ = b.Close() // nothing is left to be done about it
		}
	}()
	made, err := parts.Assemble(bench, mode, func(name string) (i2c.Bus, adc.Clock, error) {
		b, err := parts.OpenKernelBus(name, bench.Chips)
		if err == nil {
			opened = append(opened, b)
		}
		return b, clock, err
	})
	if err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	boot := parts.Boot()
	logger := newLogger()
	box, closeBox, err := openOutbox(bench, parts.WallNow, logger)
	if err != nil {
		return err
	}
	defer closeBox()
	health := &daemon.Health{Temperature: temperature}
	if err := serveHealth(ctx, bench.Health, health, logger); err != nil {
		return err
	}
	var told sync.WaitGroup
	told.Go(func() { notify(ctx, health, logger) })
	defer func() { stop(); told.Wait() }()
	return daemon.Run(ctx, daemon.Options{
		Health: health,
		Outbox: box,
		Bench:  bench.ID, Root: bench.MQTT.Root, Broker: parts.Broker("keyturnd", f.Config, bench, boot),
		Receipts: len(bench.MQTT.Keepers) > 0, Requests: bench.MQTT.Requests,
		Params: bench.Params(), Cylinders: bench.Cylinders,
		Learned: keepLearned(ctx, calibration, bench, logger),
		Description: daemon.Describe(bench, "keyturnd "+version, func(chip string) time.Duration {
			return made.Bound[chip]
		}),
		Buses: made.Buses, Boot: boot,
		Wall:   parts.Wall(clock),
		Logger: logger,
	})
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

// openOutbox opens the store that the bench file names; without one, results live
// as long as the process, and that is said.
func openOutbox(b config.Bench, now func() (time.Time, bool), logger *slog.Logger) (daemon.Outbox, func(), error) {
	if b.Store == "" {
		logger.Warn("the bench file names no store: results that the broker has not taken are lost when this program ends")
		return outbox.NewMemory(outbox.MemoryOptions{Stream: fmt.Sprintf("s-%x", time.Now().UnixNano())}), func() {}, nil
	}
	s, notice, err := outbox.OpenStore(outbox.StoreOptions{Path: b.Store, Keepers: b.MQTT.Keepers, Now: now, Logger: logger})
	if err != nil {
		return nil, nil, err
	}
	if notice.SetAside != "" {
		logger.Error("the store was unsound; it was set aside and a new one begun", "moved_to", notice.SetAside, "why", notice.Why)
	}
	return s, func() {
		if err := s.Close(); err != nil {
			logger.Error("the store could not be closed", "error", err)
		}
	}, nil
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
