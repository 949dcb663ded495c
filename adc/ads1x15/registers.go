package ads1x15

import "time"

// The chip has four 16-bit registers, sent high byte first after a pointer byte.
//
//	config  15    14..12  11..9  8     7..5  4..2        1..0
//	        OS    MUX     PGA    MODE  DR    comparator  QUE
const (
	pointerConversion = 0
	pointerConfig     = 1
	pointerLoThresh   = 2
	pointerHiThresh   = 3

	configOS         = 1 << 15 // write: start; read: idle
	configSingleShot = 1 << 8
	configQueOff     = 3 // comparator off, ALERT/RDY high impedance
	configReset      = 0x8583
	muxSingle        = 4 // inputs 0..3 against ground are MUX 4..7
)

// signature is written to Lo_thresh, which nothing else uses while the
// comparator is off: a chip that has lost its supply no longer bears it, but the
// reset value.
const (
	signature     = 0xA5C0
	loThreshReset = 0x8000
)

// hiThresh is the reset value of Hi_thresh, written to make sure of it.
const hiThresh = 0x7FFF

// wake is the time from power-down to the beginning of a single-shot conversion
// (SBAS444E 7.4.2.1).
const wake = 25 * time.Microsecond

// oscillator is the data sheets' bound of every data rate's error (SBAS444E
// 5.5): 10 percent either way.
const oscillator = 0.10

// Family tells the 16-bit from the 12-bit chips.
type Family uint8

// The families.
const (
	ADS1115 Family = iota // 16 bit, 8 to 860 samples a second
	ADS1015               // 12 bit left-justified, 128 to 3300 samples a second
)

// rates lists the data rates in samples a second by the DR bits.
func (f Family) rates() [8]int {
	if f == ADS1015 {
		return [8]int{128, 250, 490, 920, 1600, 2400, 3300, 3300}
	}
	return [8]int{8, 16, 32, 64, 128, 250, 475, 860}
}

// mask clears the low bits that a family does not use; they have been seen set.
func (f Family) mask() uint16 {
	if f == ADS1015 {
		return 0xFFF0
	}
	return 0xFFFF
}

// fullScalesUV lists the input ranges in microvolts by the PGA bits.
var fullScalesUV = [8]int32{6144000, 4096000, 2048000, 1024000, 512000, 256000, 256000, 256000}

// rateBits returns the DR bits of a rate in samples a second.
func (f Family) rateBits(rate int) (uint16, bool) {
	for i, r := range f.rates() {
		if r == rate {
			return uint16(i) << 5, true
		}
	}
	return 0, false
}

// rangeBits returns the PGA bits of a full scale in microvolts.
func rangeBits(fullScaleUV int32) (uint16, bool) {
	for i, r := range fullScalesUV {
		if r == fullScaleUV {
			return uint16(i) << 9, true
		}
	}
	return 0, false
}

// startWord is the config register's value that starts one conversion of an
// input against ground.
func startWord(input int, rangeBits, rateBits uint16) uint16 {
	return configOS | uint16(muxSingle+input)<<12 | rangeBits | configSingleShot | rateBits | configQueOff
}

// noiseV is the converter's own noise at its fastest rate: volts at the pin, one
// standard deviation (SBAS444E 6.1: 62.5 µV RMS at 2.048 V, in proportion to the
// range; the 12-bit chips' noise is below one code: a code over √12).
func (f Family) noiseV(fullScaleUV int32) float32 {
	if f == ADS1015 {
		return float32(fullScaleUV) * 1e-6 / 2048 / 3.4641
	}
	return float32(fullScaleUV) * 1e-6 * (62.5e-6 / 2.048)
}
