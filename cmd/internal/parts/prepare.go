package parts

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/outbox"
)

// Files is what a bench is read from.
type Files struct {
	// Bench is the name of the bench file.
	Bench string
	// Read is what it says, the calibration put in.
	Read config.Bench
	// Calibration is the calibration file that it names.
	Calibration *Calibration
}

// Read reads a bench file, and the box file and the calibration that it names. With a
// config.ErrMoved the rest is valid all the same.
func Read(benchFile string) (Files, error) {
	f := Files{Bench: benchFile, Calibration: &Calibration{}}
	text, err := os.ReadFile(benchFile)
	if err != nil {
		return f, fmt.Errorf("read the bench file: %w", err)
	}
	if f.Read, err = config.ParseBench(text, Families()); err != nil {
		return f, fmt.Errorf("bench file %s:\n%w", benchFile, err)
	}
	if err := fit(benchFile, text, &f.Read); err != nil {
		return f, err
	}
	c, err := OpenCalibration(benchFile, &f.Read)
	if c != nil {
		f.Calibration = c
	}
	return f, err
}

// fit reads the box file that a bench file names and puts it into the bench.
func fit(benchFile string, text []byte, b *config.Bench) error {
	if b.BoxFile == "" {
		return nil
	}
	box, _, err := ReadBox(beside(benchFile, b.BoxFile))
	if err != nil {
		return err
	}
	if err := b.Fit(text, &box); err != nil {
		return fmt.Errorf("bench file %s:\n%w", benchFile, err)
	}
	return nil
}

// ReadBox reads a box file. open is what a draft still lacks.
func ReadBox(name string) (b config.Box, open config.Faults, err error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return b, nil, fmt.Errorf("read the box file: %w", err)
	}
	if b, open, err = config.ParseBox(text); err != nil {
		return b, nil, fmt.Errorf("box file %s:\n%w", name, err)
	}
	return b, open, nil
}

// beside is a file that another one names, relative to it.
func beside(file, name string) string {
	if filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(filepath.Dir(file), name)
}

// Open opens a bus by its name.
type Open func(name string) (i2c.Bus, adc.Clock, error)

// slowBus is the part of its configured clock that a bus must reach: below it
// samples come later than the plan allows, and something is wrong with the host.
const slowBus = 0.8

// Prepare makes what daemon.Run is told from a bench's files, but for the outbox,
// the logger and what a program adds. speeds are those measured of each bus.
func Prepare(f Files, program, version string, mode Mode, open Open) (o daemon.Options, speeds map[string]adc.Speed, err error) {
	speeds = map[string]adc.Speed{}
	made, err := Assemble(f.Read, mode, func(name string) (i2c.Bus, adc.Clock, error) {
		bus, clock, err := open(name)
		if err != nil {
			return nil, nil, err
		}
		if s, err := busSpeed(bus, clock, f.Read.Chips, name); err == nil {
			speeds[name] = s
		}
		return bus, clock, nil
	})
	if err != nil {
		return o, nil, err
	}
	b, boot := f.Read, Boot()
	o = daemon.Options{
		Bench: b.ID, Root: b.MQTT.Root, Broker: Broker(program, f.Bench, b, boot), Boot: boot,
		Receipts: len(b.MQTT.Keepers) > 0, Requests: b.MQTT.Requests,
		Params: b.Params(), Cylinders: b.Cylinders, Buses: made.Buses,
		Description: daemon.Describe(b, program+" "+version, func(chip string) time.Duration { return made.Bound[chip] }),
	}
	for _, bus := range b.Buses {
		if s, ok := speeds[bus.Name]; ok && s.Hz < slowBus*float64(bus.Hz) {
			o.Findings = append(o.Findings, fmt.Sprintf("bus %s runs at %.0f kHz, not at %d: fix the machine's core clock", bus.Name, s.Hz/1e3, bus.Hz/1000))
		}
	}
	return o, speeds, nil
}

// busSpeed tells the speed of a bus by the first of its chips that answers.
func busSpeed(bus i2c.Bus, clock adc.Clock, chips []config.Chip, name string) (s adc.Speed, err error) {
	err = errors.New("no chip on it")
	for _, c := range chips {
		if c.Bus != name {
			continue
		}
		if s, err = adc.MeasureSpeed(bus, clock, uint16(c.Address)); err == nil {
			return s, nil
		}
	}
	return s, err
}

// OpenOutbox opens the store that a bench file names; without one results live as long
// as the process. Who only looks makes no store and sets none aside. found is what
// people should know of it; close writes what waits.
func OpenOutbox(b config.Bench, looks bool, logger *slog.Logger) (box daemon.Outbox, found []string, close func() error, err error) {
	memory := func() daemon.Outbox {
		return outbox.NewMemory(outbox.MemoryOptions{Stream: fmt.Sprintf("s-%x", time.Now().UnixNano())})
	}
	if b.Store == "" {
		return memory(), nil, func() error { return nil }, nil
	}
	if _, err := os.Stat(b.Store); errors.Is(err, fs.ErrNotExist) && looks {
		return memory(), nil, func() error { return nil }, nil
	}
	s, notice, err := outbox.OpenStore(outbox.StoreOptions{Path: b.Store, Keepers: b.MQTT.Keepers, Now: WallNow, LeaveUnsound: looks, Logger: logger})
	if err != nil {
		return nil, nil, nil, err
	}
	if notice.SetAside != "" {
		found = append(found, fmt.Sprintf("the store of results was unsound (%s); it was set aside as %s and a new one begun", notice.Why, notice.SetAside))
	}
	return s, found, s.Close, nil
}
