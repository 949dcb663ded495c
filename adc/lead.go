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

// Calibration is a lead's straight line from pin volts to lead volts, found at
// two points (lead earthed, lead on a known voltage). Its uncertainties are
// shared by all samples of the lead.
type Calibration struct {
	// Gain is lead volts per pin volt: the divider's ratio, corrected.
	Gain float64
	// OffsetV is the lead voltage at pin voltage zero, in volts.
	OffsetV float64
	// UGain is the relative standard uncertainty of Gain (k = 1).
	UGain float64
	// UOffsetV is the standard uncertainty of OffsetV in volts (k = 1).
	UOffsetV float64
	// Date is when it was made, as YYYY-MM-DD; empty means never calibrated
	// (nominal divider).
	Date string
}

// LeadV returns the voltage on the lead for a voltage at the pin.
func (c *Calibration) LeadV(pinV float64) float64 { return pinV*c.Gain + c.OffsetV }
