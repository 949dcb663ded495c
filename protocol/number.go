package protocol

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"time"
)

// The numbers of a document. Each is rounded on its way out, so that JSON stays
// readable and the same value always gives the same bytes.
type (
	Volts         float64 // V, 4 decimals
	VoltSeconds   float64 // V·s, 4 decimals
	Seconds       float64 // s, 3 decimals
	Millis        float64 // ms, 3 decimals
	Micros        float64 // µs, 1 decimal
	MilliOhms     float64 // mΩ, 1 decimal
	Ratio         float64 // no unit, 6 decimals
	MilliAmps     float64 // mA, 3 decimals
	MilliAmpHours float64 // mA·h, 3 decimals
	Figure        float64 // of the unit that stands beside it or ends its name, 4 decimals
	Points        float64 // marks, 3 decimals
)

// SecondsOf returns d in seconds.
func SecondsOf(d time.Duration) Seconds { return Seconds(d.Seconds()) }

// MillisOf returns d in milliseconds.
func MillisOf(d time.Duration) Millis { return Millis(float64(d) / 1e6) }

// MicrosOf returns d in microseconds.
func MicrosOf(d time.Duration) Micros { return Micros(float64(d) / 1e3) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v Volts) MarshalJSON() ([]byte, error) { return rounded(float64(v), 4) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v VoltSeconds) MarshalJSON() ([]byte, error) { return rounded(float64(v), 4) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v Seconds) MarshalJSON() ([]byte, error) { return rounded(float64(v), 3) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v Millis) MarshalJSON() ([]byte, error) { return rounded(float64(v), 3) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v Micros) MarshalJSON() ([]byte, error) { return rounded(float64(v), 1) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v MilliOhms) MarshalJSON() ([]byte, error) { return rounded(float64(v), 1) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v Ratio) MarshalJSON() ([]byte, error) { return rounded(float64(v), 6) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v MilliAmps) MarshalJSON() ([]byte, error) { return rounded(float64(v), 3) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v MilliAmpHours) MarshalJSON() ([]byte, error) { return rounded(float64(v), 3) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v Figure) MarshalJSON() ([]byte, error) { return rounded(float64(v), 4) }

// MarshalJSON writes the number rounded; it fails for NaN and infinities.
func (v Points) MarshalJSON() ([]byte, error) { return rounded(float64(v), 3) }

// rounded writes v with at most so many decimals.
func rounded(v float64, decimals int) ([]byte, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil, fmt.Errorf("write a number: %g is none", v)
	}
	scale := math.Pow10(decimals)
	// Beyond 2^51 steps a float is about as coarse as the step: rounding would move
	// the number on by a bit each time that it is written.
	if steps := v * scale; math.Abs(steps) < 1<<51 {
		v = math.Round(steps) / scale
	}
	if v == 0 {
		v = 0 // never -0
	}
	return strconv.AppendFloat(nil, v, 'f', -1, 64), nil
}

// OrNull is a word or text that is null in a document while it is empty.
type OrNull string

// MarshalJSON writes null for the empty text.
func (s OrNull) MarshalJSON() ([]byte, error) {
	if s == "" {
		return []byte("null"), nil
	}
	return plainJSON(string(s))
}

// List is a list that a document shows as [] while it is empty, never as null.
type List[T any] []T

// MarshalJSON writes [] for nil.
func (l List[T]) MarshalJSON() ([]byte, error) {
	if len(l) == 0 {
		return []byte("[]"), nil
	}
	return plainJSON([]T(l))
}

// plainJSON is json.Marshal that leaves &, < and > in legends as they are.
func plainJSON(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimRight(b.Bytes(), "\n"), nil
}
