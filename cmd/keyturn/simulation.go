package main

import (
	"fmt"
	"os"
	"time"

	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/link"
	"keyturn/protocol"
)

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
	putChips(bus, &bench, seed, wave)
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
		o.Wall = simulatedWall
	} else {
		o.Boot, o.Stream = parts.Boot(), fmt.Sprintf("demo-%x", time.Now().UnixNano())
		o.Wall = parts.Wall(clock.(*adc.RealClock))
	}
	return &simulation{bench: bench, options: o}, nil
}

// simulatedWall is the wall clock where time is simulated: a day of the demo's own.
func simulatedWall(t adc.Instant) (time.Time, time.Duration, bool) {
	day := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	return day.Add(time.Duration(t)), time.Millisecond, true
}

// putChips puts a bench's chips on a bus, behind waves at their leads' pins, each with an
// oscillator of its own.
func putChips(bus *adctest.Bus, b *config.Bench, seed uint64, wave func(lead int) adctest.Wave) {
	for i, c := range b.Chips {
		off := 0.07*float64((seed*5+uint64(i)*3)%9)/8 - 0.035
		oscillator := func(adc.Instant) float64 { return off }
		var inputs [4]adctest.Wave
		for k, l := range b.Leads {
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
