package ina226

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
)

// Options says how a chip is wired and used.
type Options struct {
	// Name is the chip's name on its bench, for errors.
	Name string
	// Address is its 7-bit I2C address, 0x40 to 0x4F.
	Address uint16
	// Rate is the results a second, one of Rates; zero means the slowest, which
	// averages most.
	Rate int
	// SplitRead reads a register in two transactions, pointer then data. Needed
	// on buses that go on with the data though the chip has not acknowledged the
	// pointer: a sample would then be another register.
	SplitRead bool
}

// Device is one chip. It is an adc.Chip of one input, for one goroutine at a time.
type Device struct {
	words   adc.Words
	o       Options
	average averaged
	started bool // since Configure
}

// New returns a device that has not touched the bus yet; Configure does.
func New(bus i2c.Bus, o Options) (*Device, error) {
	all := averages()
	if o.Rate == 0 {
		o.Rate = all[0].rate
	}
	i := slices.IndexFunc(all, func(a averaged) bool { return a.rate == o.Rate })
	if i < 0 {
		return nil, fmt.Errorf("chip %s: no rate of %d/s, the family has %v", o.Name, o.Rate, Rates())
	}
	if o.Address < 0x40 || o.Address > 0x4F {
		return nil, fmt.Errorf("chip %s: address %#x is not one of 0x40 to 0x4f", o.Name, o.Address)
	}
	return &Device{words: adc.Words{Bus: bus, Address: o.Address, Split: o.SplitRead}, o: o, average: all[i]}, nil
}

// Name returns the chip's name.
func (d *Device) Name() string { return d.o.Name }

// Timing returns how long the averages that make a result take.
func (d *Device) Timing() adc.Timing {
	nominal := float64(d.average.conversions) * float64(convert)
	return adc.Timing{
		Nominal: time.Duration(nominal),
		Min:     time.Duration(nominal * (1 - slowest)),
		Max:     time.Duration(nominal * (1 + slowest)),
		Wake:    wake,
	}
}

// Plan returns how a scanner is to use the chip on a bus of a clock rate.
func (d *Device) Plan(busHz int, inputs ...adc.PlannedInput) adc.ChipPlan {
	return d.words.Plan(d, busHz, false, inputs)
}

// StartClocks returns the bus clocks of a start.
func (d *Device) StartClocks() int { return d.words.StartClocks() }

// ReadClocks returns the bus clocks of a pointer write and a read, and in how
// many transactions.
func (d *Device) ReadClocks() (clocks, transactions int) { return d.words.ReadClocks() }

// Configure puts the chip to rest, which ends what it converts, writes the
// signature and the mark of a poll, and reads all of it back with the chip's ids.
func (d *Device) Configure() error {
	d.started = false
	err := d.setUp()
	if errors.Is(err, adc.ErrWrongChip) {
		// A brown-out between a pointer and its data shows another register: once
		// is no proof.
		err = d.setUp()
	}
	if err != nil {
		return d.fail("configure", err)
	}
	return nil
}

func (d *Device) setUp() error {
	err := d.words.SetUp([]adc.Register{
		{Pointer: pointerConfig, Want: configWord(d.average, modeOff), Reset: configReset},
		{Pointer: pointerAlert, Want: signature},
		{Pointer: pointerMask, Want: maskEcho, Aside: maskFlags},
	})
	if err != nil {
		return err
	}
	return d.identify()
}

// identify reads what only this chip has: its ids, and a ready flag that reading
// has cleared.
func (d *Device) identify() error {
	for _, x := range []struct {
		pointer byte
		want    uint16
	}{{pointerMaker, makerID}, {pointerDie, dieID}} {
		got, err := d.words.Read(x.pointer)
		if err != nil {
			return err
		}
		if got != x.want {
			return fmt.Errorf("register %#02x reads %#04x, an INA226 has %#04x there: %w", x.pointer, got, x.want, adc.ErrWrongChip)
		}
	}
	got, err := d.words.Read(pointerMask)
	switch {
	case err != nil:
		return err
	case got&^maskFlags != maskEcho:
		return fmt.Errorf("mask reads %#04x: %w", got, adc.ErrConfigLost)
	case got&maskReady != 0:
		return fmt.Errorf("its ready flag stays set though it rests and was read: %w", adc.ErrWrongChip)
	}
	return nil
}

// Start begins one conversion of input 0, the shunt. One that runs is given up.
func (d *Device) Start(input int) error {
	if input != 0 {
		return fmt.Errorf("chip %s: no input %d", d.o.Name, input)
	}
	d.started = true
	if err := d.words.Write(pointerConfig, configWord(d.average, modeShunt)); err != nil {
		return d.fail("start", err)
	}
	return nil
}

// Poll reads the mask: the chip must be ready and bear the mark that Configure left
// there. After a reset it converts and becomes ready, too, but the mark is gone.
func (d *Device) Poll() error {
	switch ready, err := d.ready(); {
	case err != nil:
		return d.fail("poll", err)
	case !ready:
		return d.fail("poll", fmt.Errorf("still converting: %w", adc.ErrLate))
	}
	return nil
}

// Verify reads the signature back.
func (d *Device) Verify() error {
	got, err := d.words.Read(pointerAlert)
	if err == nil && got != signature {
		err = fmt.Errorf("signature reads %#04x: %w", got, adc.ErrConfigLost)
	}
	if err != nil {
		return d.fail("verify", err)
	}
	return nil
}

// Busy reports whether a conversion is running.
func (d *Device) Busy() (bool, error) {
	ready, err := d.ready()
	if err != nil {
		return false, d.fail("poll", err)
	}
	return d.started && !ready, nil
}

// ready reads the ready flag, which clears it.
func (d *Device) ready() (bool, error) {
	got, err := d.words.Read(pointerMask)
	if err == nil && got&^maskFlags != maskEcho {
		err = fmt.Errorf("mask reads %#04x: %w", got, adc.ErrConfigLost)
	}
	return got&maskReady != 0, err
}

// Read returns the result of the last conversion: volts across the shunt.
func (d *Device) Read() (adc.Result, error) {
	raw, err := d.words.Read(pointerShunt)
	if err != nil {
		return adc.Result{}, d.fail("read", err)
	}
	code := int16(raw)
	return adc.Result{
		Code: code, FullScaleUV: fullScaleUV,
		NoiseV:    float32(noiseV / math.Sqrt(float64(d.average.conversions))),
		Saturated: code == 0x7FFF || code == -0x8000,
	}, nil
}

func (d *Device) fail(what string, err error) error { return d.words.NameFault(what, d.o.Name, err) }
