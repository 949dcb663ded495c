package adc

import (
	"errors"
	"fmt"
	"time"
)

// Words reads and writes the 16-bit registers of a chip that takes a pointer byte
// before them, high byte first, and keeps the pointer until the next write. It is
// for one goroutine.
type Words struct {
	Bus     Transferer
	Address uint16 // 7 bits
	// Split reads a register in two transactions, pointer then data. Needed on
	// buses that go on with the data though the chip has not acknowledged the
	// pointer: a sample would then be another register.
	Split bool
	// Transfers go through buffers that live as long as the chip: local ones would
	// be allocated at every call through the bus interface.
	w [3]byte
	r [2]byte
}

// Write writes a register.
func (c *Words) Write(pointer byte, v uint16) error {
	c.w = [3]byte{pointer, byte(v >> 8), byte(v)}
	return c.Bus.Tx(c.Address, c.w[:], nil)
}

// Read reads a register.
func (c *Words) Read(pointer byte) (uint16, error) {
	c.w[0] = pointer
	if c.Split {
		if err := c.Bus.Tx(c.Address, c.w[:1], nil); err != nil {
			return 0, err
		}
		return c.ReadOn()
	}
	if err := c.Bus.Tx(c.Address, c.w[:1], c.r[:]); err != nil {
		return 0, err
	}
	return uint16(c.r[0])<<8 | uint16(c.r[1]), nil
}

// ReadOn reads the register that the pointer stands at.
func (c *Words) ReadOn() (uint16, error) {
	if err := c.Bus.Tx(c.Address, nil, c.r[:]); err != nil {
		return 0, err
	}
	return uint16(c.r[0])<<8 | uint16(c.r[1]), nil
}

// The clocks of a transfer: 9 a byte, one each for START and STOP.
const (
	writeClocks = 4*9 + 2
	// readLead is from the beginning of a read to the acknowledge after which the
	// register goes out: pointer write, START, address. readOnLead is that of a read
	// where the pointer stands, readTail what follows: two bytes and STOP.
	readLead   = 1 + 2*9 + 1 + 9
	readOnLead = 1 + 9
	readTail   = 2*9 + 1
)

// StartClocks returns the bus clocks of a start: one write.
func (c *Words) StartClocks() int { return writeClocks }

// ReadClocks returns the bus clocks of a pointer write and a read, and in how many
// transactions.
func (c *Words) ReadClocks() (clocks, transactions int) {
	if c.Split {
		return 2*9 + 2 + 3*9 + 2, 2
	}
	return 5*9 + 3, 1
}

// Plan returns how a scanner is to use a chip, on a bus of a clock rate, whose starts are
// one write and whose reads and polls are one read each. onward says that a poll reads
// where the start has left the pointer.
func (c *Words) Plan(chip Chip, busHz int, onward bool, inputs []PlannedInput) ChipPlan {
	clock := float64(time.Second) / float64(busHz)
	wire := func(clocks int) time.Duration { return time.Duration(float64(clocks) * clock) }
	p := ChipPlan{Chip: chip, Inputs: inputs, StartLead: wire(writeClocks - 1), StartTail: wire(1),
		ReadLead: wire(readLead), PollLead: wire(readLead), PollTail: wire(readTail)}
	if onward {
		p.PollLead = wire(readOnLead)
	}
	return p
}

// Register is what a register is to hold.
type Register struct {
	Pointer byte
	Want    uint16
	Reset   uint16 // what it holds after a loss of the supply
	Aside   uint16 // bits that are the chip's own
}

// SetUp writes registers and reads them back: ErrConfigLost where one holds what a
// reset leaves there, ErrWrongChip where it holds anything else. All are written
// before the first is read: a chip of 8-bit registers keeps a word only until its
// neighbour is written. The pointer stands at the last one afterwards.
func (c *Words) SetUp(registers []Register) error {
	for _, x := range registers {
		if err := c.Write(x.Pointer, x.Want); err != nil {
			return err
		}
	}
	var lost error
	for _, x := range registers {
		got, err := c.Read(x.Pointer)
		if err != nil {
			return err
		}
		class := ErrWrongChip
		switch got &^ x.Aside {
		case x.Want:
			continue
		case x.Reset &^ x.Aside:
			class = ErrConfigLost
		}
		if lost == nil || class == ErrWrongChip {
			lost = fmt.Errorf("register %d holds %#04x after %#04x was written: %w", x.Pointer, got, x.Want, class)
		}
	}
	return lost
}

// NameFault names the operation, the chip and its address once, and gives a
// transfer's error its class.
func (c *Words) NameFault(what, chip string, err error) error {
	for _, class := range []error{ErrConfigLost, ErrWrongChip, ErrLate, ErrNoAnswer, ErrBusTrouble} {
		if errors.Is(err, class) {
			return fmt.Errorf("%s chip %s at %#02x: %w", what, chip, c.Address, err)
		}
	}
	return fmt.Errorf("%s chip %s at %#02x: %w: %w", what, chip, c.Address, ClassifyTransfer(err), err)
}
