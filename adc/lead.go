package adc

import (
	"math"
	"time"
)

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
	// Shunt is the resistor that the lead's voltage is measured across: it makes it a
	// current lead, which is never live or dead and has no time constants. The zero
	// value is a probe lead.
	Shunt Shunt
}

// Shunt is a resistor that a current is measured by.
type Shunt struct {
	Ohm float64
	// U is the relative standard uncertainty of Ohm (k = 1).
	U float64
}

// IsCurrent reports whether the lead measures a current.
func (l *Lead) IsCurrent() bool { return l.Shunt.Ohm > 0 }

// Current returns the current through the lead's shunt for a voltage at the pin, in
// amperes, and its standard uncertainty (k = 1): of shunt, gain and offset, which do
// not depend on each other (JCGM 100:2008, 5.1.2). Positive flows out of the battery.
func (l *Lead) Current(pinV float64) (a, u float64) {
	a = l.Calibration.LeadV(pinV) / l.Shunt.Ohm
	return a, l.UCurrent(a)
}

// UCurrent is the standard uncertainty of a current through the lead's shunt that
// averaging does not lessen.
func (l *Lead) UCurrent(a float64) float64 {
	return math.Hypot(l.Shunt.U*a, l.Calibration.U(a*l.Shunt.Ohm)/l.Shunt.Ohm)
}
