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
	bus       i2c.Bus
	o         Options
	rateBits  uint16
	rangeBits uint16
	noiseV    float32
	started   uint16 // config word of the last start; 0 if none since Configure
	// Transfers go through buffers that live as long as the device: local ones
	// would be allocated at every call through the bus interface.
	w [3]byte
	r [2]byte
}

// New returns a device that has not touched the bus yet; Configure does.
func New(bus i2c.Bus, o Options) (*Device, error) {
	if o.Rate == 0 {
		o.Rate = o.Family.rates()[7]
	}
	if o.FullScaleUV == 0 {
		o.FullScaleUV = 4096000
	}
	d := &Device{bus: bus, o: o, noiseV: o.Family.noiseV(o.FullScaleUV)}
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
	clock := float64(time.Second) / float64(busHz)
	wire := func(clocks int) time.Duration { return time.Duration(float64(clocks) * clock) }
	return adc.ChipPlan{
		Chip: d, Inputs: inputs,
		StartLead: wire(d.StartClocks() - 1),
		StartTail: wire(1),
		ReadLead:  wire(readLead),
		PollLead:  wire(pollLead),
		PollTail:  wire(pollTail),
	}
}

const (
	// readLead is the clocks from the beginning of a read to the acknowledge
	// after which the result goes out: pointer write, START, address.
	readLead = 1 + 2*9 + 1 + 9
	// pollLead is the clocks from the beginning of a poll to the acknowledge after
	// which the state goes out: START, address.
	pollLead = 1 + 9
	// pollTail is the clocks from the acknowledge after which a poll's state
	// goes out to the end of the poll: two bytes and STOP.
	pollTail = 2*9 + 1
)

// StartClocks returns the bus clocks of a start: 9 a byte, one each for START
// and STOP.
func (d *Device) StartClocks() int { return 4*9 + 2 }

// ReadClocks returns the bus clocks of a pointer write and a read, and in how
// many transactions.
func (d *Device) ReadClocks() (clocks, transactions int) {
	if d.o.SplitRead {
		return 2*9 + 2 + 3*9 + 2, 2
	}
	return 5*9 + 3, 1
}

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

// setUp writes all registers before it reads the first back: a chip of 8-bit
// registers keeps a word only until its neighbour is written.
func (d *Device) setUp() error {
	rest := startWord(0, d.rangeBits, d.rateBits) &^ configOS
	registers := [...]struct {
		pointer            byte
		want, reset, aside uint16
	}{
		{pointerLoThresh, signature, loThreshReset, 0},
		{pointerHiThresh, hiThresh, hiThresh, 0},
		{pointerConfig, rest, configReset, configOS}, // last: Busy reads on there
	}
	for _, x := range registers {
		if err := d.write(x.pointer, x.want); err != nil {
			return err
		}
	}
	var lost error
	for _, x := range registers {
		got, err := d.read(x.pointer)
		if err != nil {
			return err
		}
		class := adc.ErrWrongChip
		switch got &^ x.aside {
		case x.want:
			continue
		case x.reset &^ x.aside:
			class = adc.ErrConfigLost
		}
		if lost == nil || class == adc.ErrWrongChip {
			lost = fmt.Errorf("register %d holds %#04x after %#04x was written: %w", x.pointer, got, x.want, class)
		}
	}
	return lost
}

// Start begins one conversion of input 0 to 3 against ground. It must not be
// called while one may be running: the chip would take the input and ignore the
// start.
func (d *Device) Start(input int) error {
	if input < 0 || input > 3 {
		return fmt.Errorf("chip %s: no input %d", d.o.Name, input)
	}
	d.started = startWord(input, d.rangeBits, d.rateBits)
	if err := d.write(pointerConfig, d.started); err != nil {
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
	if err := d.write(pointerConfig, d.started); err != nil {
		return d.fail("start", err)
	}
	return nil
}

// Streaming reads config back: the chip must echo what StartContinuous wrote.
func (d *Device) Streaming() error {
	got, err := d.read(pointerConfig)
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
	got, err := d.readOn()
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
	got, err := d.read(pointerLoThresh)
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
	got, err := d.readOn()
	if err != nil {
		return false, d.fail("poll", err)
	}
	return got&configOS == 0, nil
}

// Read returns the result of the last conversion.
func (d *Device) Read() (adc.Result, error) {
	raw, err := d.read(pointerConversion)
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

func (d *Device) write(pointer byte, v uint16) error {
	d.w = [3]byte{pointer, byte(v >> 8), byte(v)}
	return d.bus.Tx(d.o.Address, d.w[:], nil)
}

func (d *Device) read(pointer byte) (uint16, error) {
	d.w[0] = pointer
	if d.o.SplitRead {
		if err := d.bus.Tx(d.o.Address, d.w[:1], nil); err != nil {
			return 0, err
		}
		return d.readOn()
	}
	if err := d.bus.Tx(d.o.Address, d.w[:1], d.r[:]); err != nil {
		return 0, err
	}
	return uint16(d.r[0])<<8 | uint16(d.r[1]), nil
}

// readOn reads the register that the pointer stands at.
func (d *Device) readOn() (uint16, error) {
	if err := d.bus.Tx(d.o.Address, nil, d.r[:]); err != nil {
		return 0, err
	}
	return uint16(d.r[0])<<8 | uint16(d.r[1]), nil
}

// fail names the operation, the chip and its address once, and gives a
// transfer's error its class.
func (d *Device) fail(what string, err error) error {
	if class := classOf(err); class != nil {
		return fmt.Errorf("%s chip %s at %#02x: %w: %w", what, d.o.Name, d.o.Address, class, err)
	}
	return fmt.Errorf("%s chip %s at %#02x: %w", what, d.o.Name, d.o.Address, err)
}

// classOf returns the class of a transfer's error, nil if it bears one already.
func classOf(err error) error {
	for _, class := range []error{adc.ErrConfigLost, adc.ErrWrongChip, adc.ErrLate, adc.ErrNoAnswer, adc.ErrBusTrouble} {
		if errors.Is(err, class) {
			return nil
		}
	}
	return adc.ClassifyTransfer(err)
}
