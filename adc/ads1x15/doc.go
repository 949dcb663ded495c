// Package ads1x15 drives the ADS1113/4/5 (16 bit) and ADS1013/4/5 (12 bit)
// converters on an I2C bus it was given. Register facts are from the data
// sheets SBAS444E (ADS111x) and SBAS473E (ADS101x).
//
// registers.go knows the bits; device.go is an adc.Chip: a state machine
// without waiting inside. The package refuses to wait, retry, average, or run
// anything in the background: the adc.Scanner above it owns time and order.
package ads1x15
