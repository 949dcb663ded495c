package adc

import "time"

// Chip is what the Scanner needs of a converter. It is a state machine without
// waiting inside: every method is one or a few bus transfers and returns. The
// scanner owns time, deadlines and order, and never calls Start or Read before
// the longest conversion of the last start is over.
type Chip interface {
	// Name is the chip's name on its bench, used in faults.
	Name() string
	// Configure writes every register that matters, the signature included,
	// and reads them back (else ErrConfigLost, or ErrWrongChip where no such chip
	// can read so). The chip is idle afterwards.
	Configure() error
	// Start begins one conversion of an input.
	Start(input int) error
	// Poll reads the state back, right after Start's conversion and before Read:
	// the chip must echo the input last started (else ErrConfigLost) and be idle
	// (else ErrLate).
	Poll() error
	// Verify reports whether the chip still bears what Configure wrote and
	// nothing else would (else ErrConfigLost).
	Verify() error
	// Busy reports whether a conversion is running. It comes right after Start
	// or Configure.
	Busy() (bool, error)
	// Read returns the result of the last conversion.
	Read() (Result, error)
	// Timing returns the chip's conversion times at its present rate.
	Timing() Timing
}

// Result is what a conversion yields.
type Result struct {
	Code        int16
	FullScaleUV int32
	NoiseV      float32 // at the pin, one standard deviation
	Saturated   bool
}

// Timing gives a chip's conversion times as its data sheet has them.
type Timing struct {
	// Nominal is the averaging time of one conversion; Min and Max are the data
	// sheet's bounds of it.
	Nominal, Min, Max time.Duration
	// Wake is the time between the start and the beginning of the averaging.
	Wake time.Duration
}
