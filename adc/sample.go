package adc

import "time"

// Sample is one verified conversion of one lead. Volts are not in it: they
// follow from the lead's Calibration, so that a capture replayed under a better
// calibration gives better volts.
type Sample struct {
	// Lead is the index of the lead in the bench's list of leads.
	Lead int
	// Code is the raw result as 16-bit two's complement; chips of fewer bits
	// deliver it left-justified with the unused low bits zero.
	Code int16
	// FullScaleUV is the input range in microvolts at the pin: code 32768 would
	// be this voltage.
	FullScaleUV int32
	// From and To are the best estimates of when the conversion window began
	// and ended; the chip averages its input between them.
	From, To Instant
	// StampErr is the half-width within which both From and To are certain.
	StampErr time.Duration
	// StampU is the standard uncertainty (k = 1) of the window's middle: where
	// within the bus call the conversion began, and how long it took.
	StampU time.Duration
	// NoiseV is the chip's own noise at this rate and range: volts at the pin,
	// one standard deviation.
	NoiseV float32
	// Saturated says that the code stands at an end of the range, so the true
	// voltage may lie beyond it.
	Saturated bool
}

// PinV returns the voltage at the chip's pin in volts.
func (s *Sample) PinV() float64 {
	return float64(s.Code) * float64(s.FullScaleUV) * (1e-6 / 32768)
}

// StepV returns the size of one code at the pin in volts.
func (s *Sample) StepV() float64 { return float64(s.FullScaleUV) * (1e-6 / 32768) }
