package adc_test

import (
	"math"
	"testing"

	"keyturn/adc"
)

// Currents by Ohm's law, uncertainties by the root of the sum of squares: the data
// sheet's example (SBOS547, from memory) of 10 A through 2 mΩ, and 50 mA through 10 mΩ
// with an offset of 10 µV, of a rectangle's 1/√3, which is 0.58 mA whatever flows.
func TestCurrentThroughAShunt(t *testing.T) {
	for _, c := range []struct {
		ohm, uOhm, uGain, uOffsetV, pinV float64
		a, u                             float64
	}{
		{2e-3, 0, 0, 0, 20e-3, 10, 0},
		{2e-3, 0.003, 0.004, 0, 20e-3, 10, 0.05}, // 3-4-5
		{10e-3, 0, 0, 10e-6 / math.Sqrt(3), 0.5e-3, 0.05, 0.57735e-3},
		{10e-3, 0, 0, 10e-6 / math.Sqrt(3), -0.5e-3, -0.05, 0.57735e-3},
	} {
		l := adc.Lead{Shunt: adc.Shunt{Ohm: c.ohm, U: c.uOhm}, Calibration: adc.Calibration{Gain: 1, UGain: c.uGain, UOffsetV: c.uOffsetV}}
		a, u := l.Current(c.pinV)
		if math.Abs(a-c.a) > 1e-9 || math.Abs(u-c.u) > 1e-7 || !l.IsCurrent() {
			t.Errorf("%+v: %g ± %g A", c, a, u)
		}
	}
	if (&adc.Lead{}).IsCurrent() {
		t.Error("a probe lead measures a current")
	}
}
