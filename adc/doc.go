// Package adc holds the values that carry a measurement from a chip to the
// measuring core (Instant, Sample, Lead, Calibration, Input) and the Scanner
// that decides which chip of a bus converts when.
//
// It knows neither registers (those live in one folder per chip family below
// it) nor what the volts mean: judging live and dead is not its business.
package adc
