package adc

import (
	"errors"
	"strings"
)

// The classes of fault a chip or its bus can have. Drivers wrap one of them, so
// that errors.Is finds it.
var (
	// ErrNoAnswer: the chip did not acknowledge.
	ErrNoAnswer = errors.New("no answer")
	// ErrBusTrouble: the bus is stuck, busy or timed out.
	ErrBusTrouble = errors.New("bus trouble")
	// ErrConfigLost: the chip answers but has lost its registers.
	ErrConfigLost = errors.New("configuration lost")
	// ErrLate: the chip was still converting after its data sheet's longest time.
	ErrLate = errors.New("conversion late")
	// ErrWrongChip: what answers does not keep what is written to it as the chip
	// would, nor as the chip would after losing its supply.
	ErrWrongChip = errors.New("another chip answers")
)

// ClassifyTransfer returns the class of a bus transfer's error, or nil for nil.
// The kernel's error number is hidden by the library that made the transfer, so
// only its text is left to go by. The kernel's I2C drivers report a missing
// acknowledge as ENXIO, EREMOTEIO or EIO (Linux Documentation/i2c/fault-codes);
// whatever is none of these is taken for trouble of the bus as a whole.
func ClassifyTransfer(err error) error {
	if err == nil {
		return nil
	}
	text := err.Error()
	for _, s := range []string{"no such device or address", "remote I/O error", "input/output error"} {
		if strings.Contains(text, s) {
			return ErrNoAnswer
		}
	}
	return ErrBusTrouble
}

// BlindReasonOf returns why a lead cannot be seen after a chip's error.
func BlindReasonOf(err error) BlindReason {
	switch {
	case errors.Is(err, ErrConfigLost):
		return ConfigLost
	case errors.Is(err, ErrWrongChip):
		return WrongChip
	case errors.Is(err, ErrLate):
		return LateChip
	case errors.Is(err, ErrNoAnswer):
		return NoAnswer
	}
	return BusTrouble
}
