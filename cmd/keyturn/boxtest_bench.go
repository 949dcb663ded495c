package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"

	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/cmd/internal/attend"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
)

// open opens the bench of a test.
func (c *boxTest) open(box *config.Box) (testBench, error) {
	if c.Practice {
		return c.practiceBox(box)
	}
	files, err := parts.Read(c.Config)
	if err != nil {
		return nil, err
	}
	clock, err := adc.NewRealClock()
	if err != nil {
		return nil, fmt.Errorf("read the monotonic clock: %w", err)
	}
	b := &wiredBench{files: files, clock: clock, buses: map[string]i2c.BusCloser{}, logger: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))}
	if err := b.open(); err != nil {
		return nil, errors.Join(err, b.Close())
	}
	return b, nil
}

// wiredBench is a bench with wires.
type wiredBench struct {
	files       parts.Files
	clock       *adc.RealClock
	buses       map[string]i2c.BusCloser
	lines       *parts.Lines // nil: nothing is driven
	outbox      daemon.Outbox
	closeOutbox func() error
	logger      *slog.Logger
}

func (b *wiredBench) open() (err error) {
	if b.files.Read.Drive != nil {
		if err := attend.Armable(b.files.Read, os.Stdin); err != nil {
			return err
		}
		if b.lines, err = parts.OpenLines(b.files.Read, parts.KernelLine); err != nil {
			return err
		}
	}
	var found []string
	b.outbox, found, b.closeOutbox, err = parts.OpenOutbox(b.files.Read, false, b.logger)
	for _, f := range found {
		b.logger.Warn(f)
	}
	return err
}

func (b *wiredBench) file() config.Bench { return b.files.Read }

// bus opens a bus once.
func (b *wiredBench) bus(name string) (i2c.Bus, adc.Clock, error) {
	if bus, ok := b.buses[name]; ok {
		return bus, b.clock, nil
	}
	bus, err := parts.OpenKernelBus(name, b.files.Read.Chips)
	if err == nil {
		b.buses[name] = bus
	}
	return bus, b.clock, err
}

func (b *wiredBench) sense(ctx context.Context) (v, u float64, err error) {
	return senseVolts(ctx, b.files.Read, b.bus)
}

func (b *wiredBench) rest(in config.Bench, _ config.Round) (daemon.Options, adc.Instant, error) {
	o, err := b.options(in)
	return o, b.clock.Now(), err
}

func (b *wiredBench) begin(in config.Bench, _ config.Round) (daemon.Options, *parts.Lines, func() adc.Instant, error) {
	o, err := b.options(in)
	return o, b.lines, b.clock.Now, err
}

// options are those of the bench as it is in a round.
func (b *wiredBench) options(in config.Bench) (daemon.Options, error) {
	files := b.files
	files.Read = in
	o, _, err := parts.Prepare(files, "keyturn", version, parts.ScanMode, b.bus)
	o.Outbox, o.Logger, o.Wall = b.outbox, b.logger, parts.Wall(b.clock)
	return o, err
}

func (b *wiredBench) pages(context.Context, string) (string, error) { return "", nil }

func (b *wiredBench) farewell(io.Writer) error { return nil }

// Close lets everything go, the lines first.
func (b *wiredBench) Close() (err error) {
	if b.lines != nil {
		b.lines.Close()
	}
	for _, bus := range b.buses {
		err = errors.Join(err, bus.Close())
	}
	if b.closeOutbox != nil {
		err = errors.Join(err, b.closeOutbox())
	}
	return err
}
