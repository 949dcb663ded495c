package adctest

import (
	"math"
	"math/rand/v2"
	"time"

	"keyturn/adc"
)

// ADS1x15Options says what a simulated chip is and what its inputs see.
type ADS1x15Options struct {
	// Address is its 7-bit address.
	Address uint16
	// Bits is 16 (ADS1115) or 12 (ADS1015); zero means 16.
	Bits int
	// Inputs are the voltages at its four pins; nil is 0 V.
	Inputs [4]Wave
	// Oscillator returns by how much its data rate is off at a moment: 0.1 is
	// ten percent fast. Nil means exact.
	Oscillator func(at adc.Instant) float64
	// Gain and OffsetV are its errors: what it sees is pin·(1+Gain)+OffsetV.
	Gain, OffsetV float64
	// NoiseV is its noise at 2.048 V full scale, in volts, one standard
	// deviation; in proportion at other ranges. Zero is no noise.
	NoiseV float64
	// Seed feeds the noise.
	Seed uint64
}

// DataSheetNoiseV is the noise of the 16-bit chip at 860 samples a second and
// 2.048 V full scale (SBAS444E 6.1).
const DataSheetNoiseV = 62.5e-6

// Conversion is the truth of a conversion.
type Conversion struct {
	Input    int // 0 to 3; -1 for a differential one or none at all
	From, To adc.Instant
	Code     int16
}

// ADS1x15 is a simulated chip.
type ADS1x15 struct {
	supply
	o       ADS1x15Options
	rng     *rand.Rand
	regs    [4]uint16 // conversion, config, Lo_thresh, Hi_thresh
	pointer byte
	running bool
	now     Conversion // the one running
	config  uint16     // what it runs with
	done    Conversion // the one whose result stands in the register

	// OnRead, if set, is told the truth of every value read from the conversion
	// register.
	OnRead func(Conversion)
	// Conversions counts the finished ones.
	Conversions int
}

// NewADS1x15 returns a chip fresh from power-up.
func NewADS1x15(o ADS1x15Options) *ADS1x15 {
	if o.Bits == 0 {
		o.Bits = 16
	}
	c := &ADS1x15{o: o, rng: rand.New(rand.NewPCG(o.Seed, 0xad5))}
	c.lose = c.reset
	c.reset()
	return c
}

func (c *ADS1x15) address() uint16 { return c.o.Address }

// reset is the state after power-up (SBAS444E 8.1).
func (c *ADS1x15) reset() {
	c.regs = [4]uint16{0, 0x8583, 0x8000, 0x7FFF}
	c.pointer = 0
	c.running = false
	c.done = Conversion{Input: -1}
}

// advance lets the time pass up to t.
func (c *ADS1x15) advance(t adc.Instant) {
	c.pass(t, func() (adc.Instant, bool) { return c.now.To, c.running }, c.finish)
}

// begin starts a conversion with the config register as it is.
func (c *ADS1x15) begin(at adc.Instant) {
	rates := [8]float64{8, 16, 32, 64, 128, 250, 475, 860}
	if c.o.Bits == 12 {
		rates = [8]float64{128, 250, 490, 920, 1600, 2400, 3300, 3300}
	}
	rate := rates[c.regs[1]>>5&7]
	if c.o.Oscillator != nil {
		rate *= 1 + c.o.Oscillator(at)
	}
	c.running, c.config = true, c.regs[1]
	input := int(c.config>>12&7) - 4
	c.now = Conversion{Input: max(input, -1), From: at, To: at + adc.Instant(1e9/rate)}
}

// finish ends the running conversion; in continuous mode the next begins.
func (c *ADS1x15) finish() {
	c.now.Code = c.convert()
	c.regs[0], c.done = uint16(c.now.Code), c.now
	c.running = false
	c.Conversions++
	if c.regs[1]&(1<<8) == 0 {
		c.begin(c.now.To)
	}
}

// convert is the running conversion's result.
func (c *ADS1x15) convert() int16 {
	v := 0.0
	switch mux := c.config >> 12 & 7; mux {
	case 0, 1, 2, 3:
		pairs := [4][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}}
		v = c.mean(pairs[mux][0]) - c.mean(pairs[mux][1])
	default:
		v = c.mean(int(mux) - 4)
	}
	fullScale := [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[c.config>>9&7]
	v = v*(1+c.o.Gain) + c.o.OffsetV
	if c.o.NoiseV > 0 {
		v += c.o.NoiseV * fullScale / 2.048 * c.rng.NormFloat64()
	}
	low := 16 - c.o.Bits
	steps := float64(int(1) << (c.o.Bits - 1))
	code := math.Round(v / fullScale * steps)
	return int16(math.Max(-steps, math.Min(steps-1, code))) << low
}

func (c *ADS1x15) mean(input int) float64 {
	w := c.o.Inputs[input]
	if w == nil {
		return 0
	}
	return w.Mean(c.now.From, c.now.To)
}

// wakeUp is the time from power-down to the first conversion (7.4.2.1).
const wakeUp = 25 * time.Microsecond

// write takes the pointer and, with it, a register's value.
func (c *ADS1x15) write(at adc.Instant, w []byte) {
	c.pointer = w[0] & 3
	if len(w) < 3 || c.pointer == 0 {
		return
	}
	v := uint16(w[1])<<8 | uint16(w[2])
	if c.pointer != 1 {
		c.regs[c.pointer] = v
		return
	}
	// The start bit counts only while nothing runs; the other bits are taken in
	// any case and echo at once.
	c.regs[1] = v &^ (1 << 15)
	single := v&(1<<8) != 0
	if !c.running && (!single || v&(1<<15) != 0) {
		c.begin(at.Add(wakeUp))
	}
}

// read returns the register the pointer stands at, over and over: what the chip
// sends after its two bytes is in no data sheet.
func (c *ADS1x15) read(r []byte) {
	v := c.regs[c.pointer]
	if c.pointer == 1 {
		v &^= 1 << 15
		if !c.running {
			v |= 1 << 15
		}
	}
	if c.pointer == 0 && c.OnRead != nil {
		c.OnRead(c.done)
	}
	for i := range r {
		r[i] = byte(v >> (8 * (1 - i&1)))
	}
}
