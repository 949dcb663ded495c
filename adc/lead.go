package adc

import "time"

// Lead is a wire from the bench to a chip input, with its divider, filter and
// calibration.
type Lead struct {
	// Name identifies the lead on its bench: [a-z0-9-].
	Name string
	// Chip names the chip it is wired to, Input the chip's input from 0.
	Chip  string
	Input int
	// Tau is the time constant of the lead's filter while the slot is driven
	// (source impedance low): R1 parallel R2, times C. TauFloating is that of a
	// released wire that nothing drives: R2 times C.
	Tau, TauFloating time.Duration
	// UTau and UTauFloating are their relative standard uncertainties (k = 1).
	UTau, UTauFloating float64
	// Calibration turns pin volts into lead volts.
	Calibration Calibration
}
