package adctest

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"periph.io/x/conn/v3/physic"

	"keyturn/adc"
)

// BusOptions says how a bus behaves.
type BusOptions struct {
	// Hz is the clock of the bus; zero means 400000.
	Hz int
	// OverheadMin and OverheadMax bound what the host adds to each transaction,
	// drawn evenly; a random part of it falls before the transfer. Both equal:
	// it is constant, see OverheadBefore.
	OverheadMin, OverheadMax time.Duration
	// OverheadBefore is the part of a constant overhead that falls before the
	// transfer; zero means half.
	OverheadBefore float64
	// Seed feeds the draws.
	Seed uint64
	// Clock runs the bus in real time; nil makes it virtual: then the bus is the
	// clock.
	Clock adc.Clock
	// Start is when a virtual clock begins.
	Start adc.Instant
	// LosesPointerNAK makes a combined write and read go on with the data though
	// the chip did not acknowledge the pointer.
	LosesPointerNAK bool
}

// Fault is what happens to a transaction.
type Fault uint8

// The faults of a transaction.
const (
	NoFault    Fault = iota
	NAK              // the address is not acknowledged; nothing happens in the chip
	LateNAK          // all of the write happens, yet an error is reported
	StuckBus         // the transfer takes StuckFor and fails; nothing happens in the chip
	PointerNAK       // the write part is not acknowledged; see BusOptions.LosesPointerNAK
)

// StuckFor is how long a transfer on a stuck bus takes: the kernel's default
// adapter time-out of one second.
const StuckFor = time.Second

// The errors read as those of the library that the real bus goes through: the
// kernel's error number is only in the text.
var (
	errNAK   = errors.New("sysfs-i2c: remote I/O error")
	errStuck = errors.New("sysfs-i2c: connection timed out")
)

// Bus is a simulated I2C bus, for one goroutine. It implements i2c.Bus, and
// adc.Clock.
type Bus struct {
	o     BusOptions
	bit   time.Duration
	now   adc.Instant
	rng   *rand.Rand
	chips [128]Device
	n     int
	// Inject, if set, is asked before each transaction, numbered from 0.
	Inject func(n int, at adc.Instant, addr uint16) Fault
}

// NewBus returns a bus without chips.
func NewBus(o BusOptions) *Bus {
	if o.Hz == 0 {
		o.Hz = 400000
	}
	return &Bus{o: o, bit: time.Second / time.Duration(o.Hz), now: o.Start, rng: rand.New(rand.NewPCG(o.Seed, 0xb05))}
}

// Device is what can be wired to a bus: an ADS1x15, an INA226 or a Foreign.
type Device interface {
	address() uint16
	// answers reports whether it acknowledges its address.
	answers() bool
	// advance lets the time pass up to t.
	advance(t adc.Instant)
	write(at adc.Instant, w []byte)
	read(r []byte)
	// reset is the general call's.
	reset()
}

// Add wires a chip to the bus, in place of what answered at its address.
func (b *Bus) Add(d Device) { b.chips[d.address()] = d }

// String returns the bus's name.
func (b *Bus) String() string { return "simulated I2C bus" }

// SetSpeed refuses, as the real bus does.
func (b *Bus) SetSpeed(physic.Frequency) error {
	return errors.New("the speed of the bus cannot be changed")
}

// Now returns the bus's time.
func (b *Bus) Now() adc.Instant {
	if b.o.Clock != nil {
		return b.o.Clock.Now()
	}
	return b.now
}

// SleepUntil lets the time pass.
func (b *Bus) SleepUntil(t adc.Instant) {
	if b.o.Clock != nil {
		b.o.Clock.SleepUntil(t)
		return
	}
	b.now = max(b.now, t)
}

// Transactions returns how many there were.
func (b *Bus) Transactions() int { return b.n }

// Tx writes w and reads r, with a repeated start between them.
func (b *Bus) Tx(addr uint16, w, r []byte) error {
	begin := b.Now()
	fault := NoFault
	if b.Inject != nil {
		fault = b.Inject(b.n, begin, addr)
	}
	b.n++
	overhead := b.o.OverheadMin
	before := overhead / 2
	if b.o.OverheadBefore > 0 {
		before = time.Duration(b.o.OverheadBefore * float64(overhead))
	}
	if d := b.o.OverheadMax - b.o.OverheadMin; d > 0 {
		overhead += time.Duration(b.rng.Int64N(int64(d)))
		before = time.Duration(b.rng.Int64N(max(int64(overhead), 1)))
	}
	if fault == StuckBus {
		b.SleepUntil(begin.Add(StuckFor))
		return fmt.Errorf("%w", errStuck)
	}
	t, err := b.transfer(begin.Add(before), addr, w, r, fault)
	b.SleepUntil(t.Add(overhead - before))
	return err
}

// transfer moves the bits: START, address and each byte of nine clocks, a
// repeated START, STOP.
func (b *Bus) transfer(t adc.Instant, addr uint16, w, r []byte, fault Fault) (adc.Instant, error) {
	var c Device
	if addr < 128 {
		c = b.chips[addr]
	}
	t = t.Add(b.bit + 9*b.bit)
	if c != nil {
		c.advance(t)
	} else if addr == 0 {
		return b.generalCall(t, w)
	}
	if c == nil || !c.answers() || fault == NAK {
		return t.Add(b.bit), fmt.Errorf("%w", errNAK)
	}
	nak := fault == PointerNAK
	if len(w) > 0 {
		t = t.Add(time.Duration(len(w)) * 9 * b.bit)
		c.advance(t)
		if nak && (len(r) == 0 || !b.o.LosesPointerNAK) {
			return t.Add(b.bit), fmt.Errorf("%w", errNAK)
		}
		if !nak {
			c.write(t, w)
		}
		if len(r) > 0 {
			t = t.Add(b.bit + 9*b.bit)
			c.advance(t)
		}
	}
	if len(r) > 0 {
		c.read(r)
		t = t.Add(time.Duration(len(r)) * 9 * b.bit)
	}
	t = t.Add(b.bit)
	if fault == LateNAK {
		return t, fmt.Errorf("%w", errNAK)
	}
	return t, nil
}

// generalCall resets every chip (address 0, data 06h).
func (b *Bus) generalCall(t adc.Instant, w []byte) (adc.Instant, error) {
	t = t.Add(time.Duration(len(w))*9*b.bit + b.bit)
	if len(w) != 1 || w[0] != 6 {
		return t, fmt.Errorf("%w", errNAK)
	}
	for _, c := range b.chips {
		if c != nil {
			c.advance(t)
			c.reset()
		}
	}
	return t, nil
}
