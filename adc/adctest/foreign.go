package adctest

import "keyturn/adc"

// ForeignKind is how a chip that is none of the expected ones takes a transfer.
type ForeignKind uint8

// The kinds of foreign chip.
const (
	// ForeignConstant answers every read with Foreign.Bytes, over and over.
	ForeignConstant ForeignKind = iota
	// ForeignPointer has read-only registers; each reads as its own number.
	ForeignPointer
	// ForeignBytes has 8-bit registers that it writes and reads in a row: a word
	// written at a register reads back until a neighbour is written.
	ForeignBytes
	// ForeignByte has 8-bit registers and stays at the one it was pointed to.
	ForeignByte
	// ForeignWords has 16-bit registers that keep whatever is written.
	ForeignWords
	// ForeignNoise answers every read with other bytes, as a converter without
	// registers does.
	ForeignNoise
)

// Foreign is a chip of another kind that answers where an ADS1x15 is expected.
// It acknowledges all.
type Foreign struct {
	Address uint16
	Kind    ForeignKind
	Bytes   [2]byte
	// Writes counts what was written to it.
	Writes int

	pointer byte
	bytes   [256]byte
	words   [256][2]byte
	noise   uint32
}

func (f *Foreign) address() uint16     { return f.Address }
func (f *Foreign) answers() bool       { return true }
func (f *Foreign) advance(adc.Instant) {}
func (f *Foreign) reset()              {}

func (f *Foreign) write(_ adc.Instant, w []byte) {
	f.pointer = w[0]
	if len(w) > 1 {
		f.Writes++
	}
	for i, v := range w[1:] {
		switch f.Kind {
		case ForeignBytes:
			f.bytes[f.pointer+byte(i)] = v
		case ForeignByte:
			f.bytes[f.pointer] = v
		case ForeignWords:
			f.words[f.pointer][i%2] = v
		}
	}
}

func (f *Foreign) read(r []byte) {
	for i := range r {
		switch f.Kind {
		case ForeignConstant:
			r[i] = f.Bytes[i%2]
		case ForeignPointer:
			r[i] = f.pointer
		case ForeignBytes:
			r[i] = f.bytes[f.pointer+byte(i)]
		case ForeignByte:
			r[i] = f.bytes[f.pointer]
		case ForeignWords:
			r[i] = f.words[f.pointer][i%2]
		case ForeignNoise:
			f.noise = f.noise*1664525 + 1013904223
			r[i] = byte(f.noise >> 24)
		}
	}
}
