package ina226

import "time"

// The chip has 16-bit registers, sent high byte first after a pointer byte.
//
//	config  15   14..12    11..9  8..6   5..3  2..0
//	        RST  reads 4   AVG    VBUS   VSH   MODE
//	mask    15..10   9..5  4    3     2    1     0
//	        alerts   -     AFF  CVRF  OVF  APOL  LEN
//
// Writing config ends what runs and begins anew. CVRF is set when all averages are
// done; reading mask, or starting, clears it. (Values from memory.)
const (
	pointerConfig = 0x00
	pointerShunt  = 0x01
	pointerMask   = 0x06
	pointerAlert  = 0x07
	pointerMaker  = 0xFE
	pointerDie    = 0xFF

	configFixed = 4 << 12
	configReset = 0x4127
	modeOff     = 0
	modeShunt   = 1 // triggered: one conversion a write

	maskReady = 1 << 3
	maskFlags = 7 << 2 // AFF, CVRF, OVF: the chip's own
	// maskEcho is LEN: without an alert it does nothing, and a reset clears it, so
	// that a poll tells a chip that has lost its registers.
	maskEcho = 1 << 0

	makerID = 0x5449 // "TI"
	dieID   = 0x2260
)

// signature is written to the alert limit, which nothing else uses while no alert
// is on. It resets to 0.
const signature = 0xA5C0

// fullScaleUV is the shunt voltage of code 32768: 2.5 µV a code (value from memory,
// with the data sheet's example of 20 mV for 1F40h).
const fullScaleUV = 81920

// wake is the time from power-down to the beginning of a conversion (value from
// memory).
const wake = 40 * time.Microsecond

// slowest is by how much a conversion may be longer than its typical time: 154 µs of
// 140, 1.21 ms of 1.1 (SBOS547, electrical characteristics). How much shorter it may
// be is not told; the same is taken.
const slowest = 0.10

// convert is the conversion time that is used, vsh its code in config: 1.1 ms.
const (
	convert = 1100 * time.Microsecond
	vsh     = 4 << 3
)

// noiseV is the noise of one such conversion: a code (value from memory).
const noiseV = 2.5e-6

// averaged is a number of conversions that the chip averages, with its code in config
// and the results a second that they make, rounded down.
type averaged struct {
	conversions int
	bits        uint16
	rate        int
}

// averages are those that are used, by their rates. Slower ones are left out: a
// result must reach the core soon after its window.
func averages() []averaged {
	return []averaged{{16, 2 << 9, 56}, {4, 1 << 9, 227}, {1, 0, 909}}
}

// Rates lists the results a second that a chip can be told to give, rising.
func Rates() (rates []int) {
	for _, a := range averages() {
		rates = append(rates, a.rate)
	}
	return rates
}

// configWord is the config register's value for a mode.
func configWord(a averaged, mode uint16) uint16 { return configFixed | a.bits | vsh | mode }
