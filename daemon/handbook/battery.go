package handbook

import "fmt"

// BatteryKind is how a 12 V lead-acid battery is built. Its text is meant for
// files.
type BatteryKind string

// The kinds of batteries.
const (
	Flooded BatteryKind = "flooded"
	AGM     BatteryKind = "agm" // acid in glass mat
)

// RestHours is how long a battery must have rested, neither charged nor loaded,
// before its open-circuit voltage tells its charge. Common practice.
const RestHours = 6

// Voltages outside these are no resting battery of six sound cells: it is being
// charged, or a cell has failed. 10.5 V is 1.75 V a cell, at which IEC 60095-1
// ends a discharge (value from memory).
const (
	restingLeastV = 10.5
	restingMostV  = 13.2
)

// Resting is what is measured on a battery at rest.
type Resting struct {
	V        float64
	BatteryC float64 // of the battery, not of the shop
}

// Charge is a state of charge.
type Charge struct {
	Percent     float64 // of a full battery
	LowPercent  float64 // tables differ: the least
	HighPercent float64 // and the most that one of them says
	// OffTable: the voltage lies beyond the table's end, and Percent is that end.
	// Many modern batteries rest above their table when full.
	OffTable bool
	Source   Source
}

var (
	// ElectricalAge2, lead_acid_12v/ds.csv, which cites a state-of-charge sheet.
	chargeSheet = Source{Document: "a battery handbook's state-of-charge sheet", ReadIn: "an open data set of 13 temperatures, of which two were read", Standing: Published}
	// Polaris owner's manual.
	chargeAGM = Source{Document: "a vehicle maker's owner's manual", Place: "AGM batteries", Standing: Published}

	// State of charge in % over volts at 26.7 °C. The two of a kind are what two
	// tables say, or the edges of a band. AGM has no lower edge below 25 %.
	floodedCurve   = []point{{11.890, 0}, {12.060, 25}, {12.240, 50}, {12.450, 75}, {12.650, 100}}
	floodedRounded = []point{{11.6, 0}, {12.0, 25}, {12.2, 50}, {12.4, 75}, {12.6, 100}} // a mnemonic of the trade
	agmLowEdge     = []point{{12.0, 25}, {12.3, 50}, {12.6, 75}, {12.8, 100}}
	agmHighEdge    = []point{{12.0, 0}, {12.3, 25}, {12.6, 50}, {12.8, 75}, {13.2, 100}}

	// How much higher a battery rests at a temperature than at 26.7 °C, in V; the
	// same at every charge. The rows at -17.8 and 26.7 °C were read, the others are
	// from memory.
	restShift = []point{
		{-17.8, -0.134}, {-12.2, -0.108}, {-6.7, -0.084}, {-1.1, -0.062}, {4.4, -0.044}, {10, -0.028}, {15.6, -0.016},
		{21.1, -0.007}, {26.7, 0}, {32.2, 0.005}, {37.8, 0.008}, {43.3, 0.011}, {48.9, 0.013},
	}
)

// StateOfCharge tells the charge of a battery that has rested for RestHours, from
// 10.5 to 13.2 V (as at 26.7 °C) and from -17.8 to 48.9 °C.
//
// It reads on straight lines between the rows, as the trade does: common
// practice, no published source. The change with temperature is that of flooded
// batteries for both kinds.
func StateOfCharge(k BatteryKind, r Resting) (Charge, error) {
	shift, ok := between(restShift, r.BatteryC)
	if !ok {
		return Charge{}, outside("open-circuit voltage by temperature", restShift, r.BatteryC, "°C")
	}
	v := r.V - shift
	if !(v >= restingLeastV && v <= restingMostV) {
		return Charge{}, &NotInTable{"open-circuit voltage", fmt.Sprintf("%g V", r.V), fmt.Sprintf("%.2f to %.2f V at %g °C: a resting battery of six sound cells", restingLeastV+shift, restingMostV+shift, r.BatteryC)}
	}
	switch k {
	case Flooded:
		a, b := within(floodedCurve, v), within(floodedRounded, v)
		_, in := between(floodedCurve, v)
		return Charge{a, min(a, b), max(a, b), !in, chargeSheet}, nil
	case AGM:
		low, high := within(agmHighEdge, v), within(agmLowEdge, v)
		_, in := between(agmHighEdge, v)
		return Charge{(low + high) / 2, low, high, !in, chargeAGM}, nil
	}
	return Charge{}, &NotInTable{"batteries", fmt.Sprintf("%q", k), fmt.Sprintf("%s, %s", Flooded, AGM)}
}
