package adc

import (
	"fmt"
	"math"
)

// Calibration is a lead's straight line from pin volts to lead volts, found at
// two points (lead earthed, lead on a known voltage). Its uncertainties are
// shared by all samples of the lead.
type Calibration struct {
	// Gain is lead volts per pin volt: the divider's ratio, corrected.
	Gain float64
	// OffsetV is the lead voltage at pin voltage zero, in volts.
	OffsetV float64
	// UGain is the relative standard uncertainty of Gain (k = 1), UOffsetV that
	// of OffsetV in volts: both as they are while the bench is used, temperature
	// included, not as they were at the moment of calibrating.
	UGain, UOffsetV float64
	// Date is when it was made, as YYYY-MM-DD; empty means never calibrated
	// (nominal divider).
	Date string
}

// LeadV returns the voltage on the lead for a voltage at the pin.
func (c *Calibration) LeadV(pinV float64) float64 { return pinV*c.Gain + c.OffsetV }

// U returns the standard uncertainty (k = 1) that the calibration leaves in a
// lead voltage: gain and offset are independent, so their parts add in squares
// (JCGM 100:2008, 5.1.2).
func (c *Calibration) U(leadV float64) float64 { return math.Hypot(c.UGain*leadV, c.UOffsetV) }

// KnownPoint is a lead at a voltage that is known, as the converter read it.
type KnownPoint struct {
	LeadV, ULeadV float64 // what the voltage is, standard uncertainty (k = 1)
	PinV, UPinV   float64 // the mean of what was read at the pin, of that mean
}

// What a front end changes between a calibration at 20 °C and use at 0 to 45 °C,
// as standard uncertainties. Gain: the converter's drift of at most 40 ppm/K
// (SBAS444E 5.5) and the divider's of at most 50 ppm/K for each resistor
// (common practice, no published source), of which a ratio of 13 feels 12/13,
// each uniform over 25 K. Offset: a tenth of what the converter's input current
// makes of it through 7.2 kΩ (11 mV, SBAS444E 7.3.2), which follows its
// oscillator, and its own offset drift.
const (
	driftK         = 25
	root3          = 1.7320508
	driftGain      = 40e-6 * driftK / root3
	driftDivider   = 50e-6 * driftK * 12 / 13 / root3 * math.Sqrt2
	driftOffsetV   = 0.0007
	offsetMostV    = 0.15 // a lead at zero reads less than this
	knownLeastV    = 5.0  // a voltage far enough from zero to tell the gain
	gainOffMost    = 0.02 // how far the gain may be from the divider's
	pinULeastSteps = 0.29 // one code (width/√12, JCGM 100:2008 F.2.2.1)
)

// Calibrate draws the line through a lead on earth and on a known voltage. nominal
// is the gain that the divider's parts have, stepV the converter's code in volts
// at the pin. It refuses what cannot be right and says what to look at.
func Calibrate(zero, known KnownPoint, nominal, stepV float64) (Calibration, error) {
	if v := zero.PinV * nominal; math.Abs(v) > offsetMostV {
		return Calibration{}, fmt.Errorf("the lead reads %.2f V though it should be on earth: is this the right lead, is the earth clip on the battery's negative post?", v)
	}
	if known.LeadV < knownLeastV {
		return Calibration{}, fmt.Errorf("%.3g V is too near to zero to tell a gain: use a voltage of at least %.0f V", known.LeadV, knownLeastV)
	}
	if v := known.PinV * nominal; v < knownLeastV/2 {
		return Calibration{}, fmt.Errorf("the lead reads %.2f V though %.3f V was typed: is this the right lead, is it connected?", v, known.LeadV)
	}
	gain := (known.LeadV - zero.LeadV) / (known.PinV - zero.PinV)
	if off := gain/nominal - 1; math.Abs(off) > gainOffMost {
		return Calibration{}, fmt.Errorf("the lead reads %.3f V and the meter %.3f V: %.1f %% apart, more than the parts explain (%.0f %%); is the meter on the same point, are the divider's parts those of the bench file?",
			(known.PinV-zero.PinV)*nominal, known.LeadV, 100*math.Abs(off), 100*gainOffMost)
	}
	code := pinULeastSteps * stepV
	pin := math.Hypot(math.Hypot(zero.UPinV, known.UPinV), code) * gain
	made := math.Hypot(math.Hypot(known.ULeadV, zero.ULeadV), pin) / known.LeadV
	return Calibration{
		Gain: gain, OffsetV: zero.LeadV - gain*zero.PinV,
		UGain:    math.Hypot(made, math.Hypot(driftGain, driftDivider)),
		UOffsetV: math.Hypot(math.Hypot(zero.ULeadV, math.Hypot(zero.UPinV, code)*gain), driftOffsetV),
	}, nil
}
