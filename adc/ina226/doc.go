// Package ina226 drives the INA226 on an I2C bus it was given: a monitor of the
// voltage across a shunt, to 2.5 µV, for currents of milliamps. Register facts are
// from the data sheet SBOS547; its conversion times and their limits were read, the
// rest are values from memory and marked so.
//
// registers.go knows the bits; device.go is an adc.Chip: a state machine without
// waiting inside. The package refuses to wait, retry, turn volts into amperes (the
// shunt belongs to the lead), or run anything in the background. The chip's bus
// voltage input is not used: a lead with its divider reads the battery.
package ina226
