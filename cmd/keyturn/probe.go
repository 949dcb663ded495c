package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
)

// benchFlags say which bench a command works on.
type benchFlags struct {
	Config   string `help:"Bench file." type:"existingfile" placeholder:"FILE" xor:"bench"`
	Practice bool   `help:"Work on a practice bench of 16 leads, simulated: nothing to wire." xor:"bench"`
}

// probe samples a bench and watches its leads. The daemon must not be running:
// one program at a time on a bus.
type probe struct {
	bench       config.Bench
	calibration *parts.Calibration
	hands       []*hand // of a practice bench: where its leads are held
	scanners    []*adc.Scanner

	mu    sync.Mutex
	watch *daemon.Watch
	done  sync.WaitGroup
	stop  context.CancelFunc
	close []func() error
}

// openProbe opens the bench and begins to sample it.
func openProbe(ctx context.Context, f benchFlags) (*probe, error) {
	if f.Config == "" && !f.Practice {
		return nil, errWhichBench
	}
	p := &probe{calibration: &parts.Calibration{}}
	clock, err := adc.NewRealClock()
	if err != nil {
		return nil, fmt.Errorf("read the monotonic clock: %w", err)
	}
	open := p.openKernel(clock)
	if f.Practice {
		if open, err = p.practice(clock); err != nil {
			return nil, err
		}
	} else if err := p.read(f.Config); err != nil {
		return nil, err
	}
	made, err := parts.Assemble(p.bench, parts.ScanMode, open)
	if err != nil {
		p.Close()
		return nil, err
	}
	p.watch = daemon.NewWatch(p.bench.Params())
	ctx, p.stop = context.WithCancel(ctx)
	for _, b := range made.Buses {
		s, err := adc.NewScanner(b.Clock, b.Plans, p.take)
		if err != nil {
			p.Close()
			return nil, fmt.Errorf("bus %s: %w", b.Name, err)
		}
		p.scanners = append(p.scanners, s)
		p.done.Go(func() { s.Run(ctx) })
	}
	return p, nil
}

// read reads the bench file and its calibration.
func (p *probe) read(name string) error {
	files, err := parts.Read(name)
	p.bench, p.calibration = files.Read, files.Calibration
	if errors.Is(err, config.ErrMoved) { // this is the tool that mends it
		fmt.Fprintf(os.Stderr, "keyturn: %v\n", err)
		return nil
	}
	return err
}

func (p *probe) openKernel(clock adc.Clock) func(string) (i2c.Bus, adc.Clock, error) {
	return func(name string) (i2c.Bus, adc.Clock, error) {
		b, err := parts.OpenKernelBus(name, p.bench.Chips)
		if err == nil {
			p.close = append(p.close, b.Close)
		}
		return b, clock, err
	}
}

// take is called by the scanners.
func (p *probe) take(in adc.Input) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.watch.Take(in)
}

// readings returns what every lead reads, and each chip's counts.
func (p *probe) readings() ([]daemon.Reading, []adc.Counts) {
	p.mu.Lock()
	readings := p.watch.Readings()
	p.mu.Unlock()
	var counts []adc.Counts
	for _, s := range p.scanners {
		counts = append(counts, s.Counts()...)
	}
	return readings, counts
}

// mean averages a lead for a while from now on.
func (p *probe) mean(ctx context.Context, lead int, during time.Duration) (pinV, u float64, n int, err error) {
	p.mu.Lock()
	since := p.watch.Now()
	p.mu.Unlock()
	select {
	case <-ctx.Done():
		return 0, 0, 0, ctx.Err()
	case <-time.After(during):
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	pinV, u, n = p.watch.PinMean(lead, since)
	return pinV, u, n, nil
}

// Close stops sampling and lets go of the buses.
func (p *probe) Close() {
	if p.stop != nil {
		p.stop()
	}
	p.done.Wait()
	for _, c := range p.close {
		_ = c() // nothing is left to be done about it
	}
}

// hand holds one lead of the practice bench.
type hand struct {
	mu    sync.Mutex
	leadV float64
	ratio float64
}

func (h *hand) hold(leadV float64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.leadV = leadV
}

// Mean is the voltage at the lead's pin. The filter is left out: a hand is slow.
func (h *hand) Mean(_, _ adc.Instant) float64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.leadV / h.ratio
}

// practice makes a bench of the demo's 16 leads, not calibrated, whose leads are
// where the commands hold them. Its parts are off by up to one in a hundred.
func (p *probe) practice(clock adc.Clock) (func(string) (i2c.Bus, adc.Clock, error), error) {
	v := vehicle.New(0, vehicle.Options{Tidy: true})
	b := benchOf(v, "tcp://localhost:1883")
	b.ID = "practice"
	for i := range b.Leads {
		b.Leads[i].Calibration = nil
	}
	text, err := b.TOML()
	if err != nil {
		return nil, err
	}
	if p.bench, err = config.ParseBench(text, parts.Families()); err != nil {
		return nil, fmt.Errorf("the practice bench:\n%w", err)
	}
	bus := adctest.NewBus(adctest.BusOptions{Clock: clock})
	for range p.bench.Leads {
		p.hands = append(p.hands, nil)
	}
	for i, c := range p.bench.Chips {
		o := adctest.ADS1x15Options{Address: uint16(c.Address), Seed: uint64(i), NoiseV: adctest.DataSheetNoiseV, Gain: 0.0004, OffsetV: 120e-6}
		for k, l := range p.bench.Leads {
			if l.Chip == c.Name {
				nominal := (l.UpperKOhm + l.LowerKOhm) / l.LowerKOhm
				h := &hand{ratio: nominal * (1 + 0.0016*float64(k%11-5))}
				p.hands[k], o.Inputs[l.Input] = h, h
			}
		}
		bus.Add(adctest.NewADS1x15(o))
	}
	return func(string) (i2c.Bus, adc.Clock, error) { return bus, bus, nil }, nil
}
