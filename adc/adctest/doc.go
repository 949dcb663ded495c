// Package adctest holds simulated chips on a simulated I2C bus, down to their
// registers and the time every bit takes. What a chip converts comes from a
// Wave. The bus runs on a virtual clock, which is then the bus itself, or on a
// real one.
//
// It is a test aid and the hardware of demos. It knows no driver: what a driver
// gets wrong shows here as it would on a bench.
package adctest

import "keyturn/adc"

// Wave is the voltage at a chip's pin.
type Wave interface {
	// Mean returns the mean voltage over a window, in volts. Windows come with
	// non-decreasing times.
	Mean(from, to adc.Instant) float64
}

// Constant is a Wave that stands at a voltage.
type Constant float64

// Mean returns the voltage.
func (c Constant) Mean(_, _ adc.Instant) float64 { return float64(c) }
