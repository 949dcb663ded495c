package ads1x15

import (
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
)

// Options says how a chip is wired and used.
type Options struct {
	// Name is the chip's name on its bench, for errors.
	Name string
	// Family is the chip's family; zero is ADS1115.
	Family Family
	// Address is its 7-bit I2C address, 0x48 to 0x4B.
	Address uint16
	// Rate is the data rate in samples a second; zero means the family's
	// fastest: 860 or 3300.
	Rate int
	// FullScaleUV is the input range in microvolts; zero means 4096000.
	FullScaleUV int32
	// SplitRead reads a register in two transactions, pointer then data. Needed
	// on buses that go on with the data though the chip has not acknowledged the
	// pointer: a sample would then be another register.
	SplitRead bool
}

// Device is one chip. It is an adc.Chip, for one goroutine at a time.
type Device struct {
	words     adc.Words
	o         Options
	rateBits  uint16
	rangeBits uint16
	noiseV    float32
	started   uint16 // config word of the last start; 0 if none since Configure
}

// New returns a device that has not touched the bus yet; Configure does.
func New(bus i2c.Bus, o Options) (*Device, error) {
	if o.Rate == 0 {
		o.Rate = o.Family.rates()[7]
	}
	if o.FullScaleUV == 0 {
		o.FullScaleUV = 4096000
	}
	d := &Device{words: adc.Words{Bus: bus, Address: o.Address, Split: o.SplitRead}, o: o, noiseV: o.Family.noiseV(o.FullScaleUV)}
	var ok bool
	if d.rateBits, ok = o.Family.rateBits(o.Rate); !ok {
		return nil, fmt.Errorf("chip %s: no data rate of %d/s, the family has %v", o.Name, o.Rate, o.Family.rates())
	}
	if d.rangeBits, ok = rangeBits(o.FullScaleUV); !ok {
		return nil, fmt.Errorf("chip %s: no range of %d µV, the family has %v", o.Name, o.FullScaleUV, fullScalesUV[:6])
	}
	if o.Address < 0x48 || o.Address > 0x4B {
		return nil, fmt.Errorf("chip %s: address %#x is not one of 0x48 to 0x4b", o.Name, o.Address)
	}
	return d, nil
}

// Name returns the chip's name.
func (d *Device) Name() string { return d.o.Name }

// Timing returns the conversion times of the data sheet at the chip's rate.
func (d *Device) Timing() adc.Timing {
	nominal := float64(time.Second) / float64(d.o.Rate)
	return adc.Timing{
		Nominal: time.Duration(nominal),
		Min:     time.Duration(nominal / (1 + oscillator)),
		Max:     time.Duration(nominal / (1 - oscillator)),
		Wake:    wake,
	}
}

// Plan returns how a scanner is to use the chip on a bus of a clock rate.
func (d *Device) Plan(busHz int, inputs ...adc.PlannedInput) adc.ChipPlan {
	return d.words.Plan(d, busHz, true, inputs)
}

// StartClocks returns the bus clocks of a start.
func (d *Device) StartClocks() int { return d.words.StartClocks() }

// ReadClocks returns the bus clocks of a pointer write and a read, and in how
// many transactions.
func (d *Device) ReadClocks() (clocks, transactions int) { return d.words.ReadClocks() }

// Configure writes both thresholds, the signature among them, puts the chip to
// rest and reads all of it back. A conversion that is running goes on and ends in
// an idle chip.
func (d *Device) Configure() error {
	d.started = 0
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
	rest := startWord(0, d.rangeBits, d.rateBits) &^ configOS
	return d.words.SetUp([]adc.Register{
		{Pointer: pointerLoThresh, Want: signature, Reset: loThreshReset},
		{Pointer: pointerHiThresh, Want: hiThresh, Reset: hiThresh},
		{Pointer: pointerConfig, Want: rest, Reset: configReset, Aside: configOS}, // last: Busy reads on there
	})
}

// Start begins one conversion of input 0 to 3 against ground. It must not be
// called while one may be running: the chip would take the input and ignore the
// start.
func (d *Device) Start(input int) error {
	if input < 0 || input > 3 {
		return fmt.Errorf("chip %s: no input %d", d.o.Name, input)
	}
	d.started = startWord(input, d.rangeBits, d.rateBits)
	if err := d.words.Write(pointerConfig, d.started); err != nil {
		return d.fail("start", err)
	}
	return nil
}

// StartContinuous begins to convert input 0 to 3 against ground over and over.
func (d *Device) StartContinuous(input int) error {
	if input < 0 || input > 3 {
		return fmt.Errorf("chip %s: no input %d", d.o.Name, input)
	}
	d.started = startWord(input, d.rangeBits, d.rateBits) &^ (configOS | configSingleShot)
	if err := d.words.Write(pointerConfig, d.started); err != nil {
		return d.fail("start", err)
	}
	return nil
}

// Streaming reads config back: the chip must echo what StartContinuous wrote.
func (d *Device) Streaming() error {
	got, err := d.words.Read(pointerConfig)
	if err == nil && got&^configOS != d.started {
		err = fmt.Errorf("config echoes %#04x, started with %#04x: %w", got, d.started, adc.ErrConfigLost)
	}
	if err != nil {
		return d.fail("poll", err)
	}
	return nil
}

// Poll reads config back: the chip must echo what the last start wrote and be
// idle. The register is read without setting the pointer, which the start has
// left there.
func (d *Device) Poll() error {
	got, err := d.words.ReadOn()
	switch {
	case err != nil:
		return d.fail("poll", err)
	case got&^configOS != d.started&^configOS:
		return d.fail("poll", fmt.Errorf("config echoes %#04x, started with %#04x: %w", got, d.started, adc.ErrConfigLost))
	case got&configOS == 0:
		return d.fail("poll", fmt.Errorf("still converting: %w", adc.ErrLate))
	}
	return nil
}

// Verify reads the signature back.
func (d *Device) Verify() error {
	got, err := d.words.Read(pointerLoThresh)
	if err != nil {
		return d.fail("verify", err)
	}
	if got != signature {
		return d.fail("verify", fmt.Errorf("signature reads %#04x: %w", got, adc.ErrConfigLost))
	}
	return nil
}

// Busy reports whether a conversion is running. The pointer must stand at
// config: it does after Start.
func (d *Device) Busy() (bool, error) {
	got, err := d.words.ReadOn()
	if err != nil {
		return false, d.fail("poll", err)
	}
	return got&configOS == 0, nil
}

// Read returns the result of the last conversion.
func (d *Device) Read() (adc.Result, error) {
	raw, err := d.words.Read(pointerConversion)
	if err != nil {
		return adc.Result{}, d.fail("read", err)
	}
	code := int16(raw & d.o.Family.mask())
	top := int16(0x7FFF & d.o.Family.mask())
	return adc.Result{
		Code: code, FullScaleUV: d.o.FullScaleUV, NoiseV: d.noiseV,
		Saturated: code == top || code == -0x8000,
	}, nil
}

func (d *Device) fail(what string, err error) error { return d.words.NameFault(what, d.o.Name, err) }
