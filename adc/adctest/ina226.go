package adctest

import (
	"math"
	"math/rand/v2"
	"time"

	"keyturn/adc"
)

// INA226Options says what a simulated shunt monitor is and what it sees.
type INA226Options struct {
	// Address is its 7-bit address.
	Address uint16
	// Shunt is the voltage across its shunt inputs; nil is 0 V.
	Shunt Wave
	// Oscillator returns by how much its conversions are too fast at a moment: 0.1
	// is ten percent. Nil means exact.
	Oscillator func(at adc.Instant) float64
	// Gain and OffsetV are its errors: what it sees is shunt·(1+Gain)+OffsetV.
	Gain, OffsetV float64
	// NoiseV is its noise in one conversion that is not averaged, in volts, one
	// standard deviation.
	NoiseV float64
	// Die is its die id; zero means that of the family.
	Die uint16
	// Flag, if set, stands for the ready flag instead of what is true: told what is,
	// it returns what the chip shows.
	Flag func(ready bool) bool
	// Seed feeds the noise.
	Seed uint64
}

// INA226 is a simulated shunt monitor. Its bus voltage input is left open.
type INA226 struct {
	supply
	o       INA226Options
	rng     *rand.Rand
	regs    [256]uint16
	pointer byte
	running bool
	ready   bool
	now     Conversion // the one running
	done    Conversion // the one whose result stands in the register

	// OnRead, if set, is told the truth of every value read from the shunt voltage
	// register.
	OnRead func(Conversion)
	// Conversions counts the finished ones.
	Conversions int
}

// Registers, reset values and bits of the data sheet SBOS547 (values from memory, but
// for the conversion times).
const (
	inaConfig, inaShunt, inaBus, inaMask, inaAlert = 0x00, 0x01, 0x02, 0x06, 0x07
	inaMaker, inaDie                               = 0xFE, 0xFF
	inaReset                                       = 0x4127
	inaReady                                       = 1 << 3
)

// ShuntNoiseV is the noise of one conversion of 1.1 ms, a code (value from memory).
const ShuntNoiseV = inaStepV

// inaStepV is the step of the shunt voltage register.
const inaStepV = 2.5e-6

// NewINA226 returns a chip fresh from power-up: it converts over and over.
func NewINA226(o INA226Options) *INA226 {
	if o.Die == 0 {
		o.Die = 0x2260
	}
	c := &INA226{o: o, rng: rand.New(rand.NewPCG(o.Seed, 0x226))}
	c.lose = c.reset
	c.reset()
	return c
}

func (c *INA226) address() uint16 { return c.o.Address }

func (c *INA226) reset() {
	c.regs = [256]uint16{inaConfig: inaReset, inaMaker: 0x5449, inaDie: c.o.Die}
	c.pointer, c.ready, c.running = 0, false, false
	c.done = Conversion{Input: -1}
}

// advance lets the time pass up to t.
func (c *INA226) advance(t adc.Instant) {
	if !c.running && c.continuous() && !c.absent { // since its reset
		c.begin(t)
	}
	c.pass(t, func() (adc.Instant, bool) { return c.now.To, c.running }, c.finish)
}

func (c *INA226) continuous() bool { return c.regs[inaConfig]&7 > 4 }

// begin starts a conversion of what the mode says, so often and so long as the
// config register says.
func (c *INA226) begin(at adc.Instant) {
	times := [8]time.Duration{140 * time.Microsecond, 204 * time.Microsecond, 332 * time.Microsecond, 588 * time.Microsecond,
		1100 * time.Microsecond, 2116 * time.Microsecond, 4156 * time.Microsecond, 8244 * time.Microsecond}
	averages := [8]float64{1, 4, 16, 64, 128, 256, 512, 1024}
	config := c.regs[inaConfig]
	var one time.Duration
	if config&1 != 0 {
		one += times[config>>3&7]
	}
	if config&2 != 0 {
		one += times[config>>6&7]
	}
	all := float64(one) * averages[config>>9&7]
	if c.o.Oscillator != nil {
		all /= 1 + c.o.Oscillator(at)
	}
	c.running = one > 0
	c.now = Conversion{Input: -1, From: at, To: at + adc.Instant(all)}
	if config&7 == 3 || config&7 == 1 { // triggered, the shunt among what is converted
		c.now.Input = 0
	}
}

// finish ends the running conversion; in continuous mode the next begins.
func (c *INA226) finish() {
	v := 0.0
	if c.o.Shunt != nil {
		v = c.o.Shunt.Mean(c.now.From, c.now.To)
	}
	v = v*(1+c.o.Gain) + c.o.OffsetV
	if c.o.NoiseV > 0 {
		n := float64([8]int{1, 4, 16, 64, 128, 256, 512, 1024}[c.regs[inaConfig]>>9&7])
		v += c.o.NoiseV / math.Sqrt(n) * c.rng.NormFloat64()
	}
	c.now.Code = int16(math.Max(-32768, math.Min(32767, math.Round(v/inaStepV))))
	c.regs[inaShunt], c.done = uint16(c.now.Code), c.now
	c.ready, c.running = true, false
	c.Conversions++
	if c.continuous() {
		c.begin(c.now.To)
	}
}

// write takes the pointer and, with it, a register's value. A write to config ends
// what runs and begins anew; but for power-down it clears the ready flag.
func (c *INA226) write(at adc.Instant, w []byte) {
	c.pointer = w[0]
	if len(w) < 3 {
		return
	}
	v := uint16(w[1])<<8 | uint16(w[2])
	switch c.pointer {
	case inaConfig:
		c.regs[inaConfig] = v&0x8FFF | 0x4000
		if v&(1<<15) != 0 {
			c.reset()
			return
		}
		c.running = false
		if v&3 != 0 {
			c.ready = false
			c.begin(at.Add(powerUp))
		}
	case inaMask:
		c.regs[inaMask] = v &^ 0x03FC
	case 0x05, inaAlert:
		c.regs[c.pointer] = v
	}
}

// powerUp is the time from power-down to the first conversion (value from memory).
const powerUp = 40 * time.Microsecond

// read returns the register the pointer stands at. Reading the mask clears the flag.
func (c *INA226) read(r []byte) {
	v := c.regs[c.pointer]
	switch c.pointer {
	case inaMask:
		ready := c.ready
		if c.o.Flag != nil {
			ready = c.o.Flag(ready)
		}
		if ready {
			v |= inaReady
		}
		c.ready = false
	case inaShunt:
		if c.OnRead != nil {
			c.OnRead(c.done)
		}
	}
	for i := range r {
		r[i] = byte(v >> (8 * (1 - i&1)))
	}
}
