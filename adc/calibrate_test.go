package adc

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// frontEnd is a random lead and converter as they can be bought: 1 % resistors
// of 50 ppm/K, the converter at the limits of its data sheet (SBAS444E 5.5:
// gain ± 0.15 %, 40 ppm/K, offset ± 3 codes at 2.048 V; 7.3.2: an input current
// towards 0.7 V through 6 MΩ, in proportion to the oscillator).
type frontEnd struct {
	upper, lower, upperK, lowerK float64
	gain, gainK, offsetV, mohm   float64
	rng                          *rand.Rand
}

func newFrontEnd(rng *rand.Rand) *frontEnd {
	u := func(a float64) float64 { return a * (2*rng.Float64() - 1) }
	return &frontEnd{
		upper: 33e3 * (1 + u(0.008)), lower: 2.7e3 * (1 + u(0.008)), upperK: u(50e-6), lowerK: u(50e-6),
		gain: 1 + u(0.0015), gainK: u(40e-6), offsetV: u(188e-6), mohm: 6e6 * (1 + u(0.2)), rng: rng,
	}
}

const codeV = 4.096 / 32768

// read is the mean of n conversions at a temperature, in volts at the pin.
func (f *frontEnd) read(leadV, celsius float64, n int) (mean, u float64) {
	dk := celsius - 20
	upper, lower := f.upper*(1+f.upperK*dk), f.lower*(1+f.lowerK*dk)
	source := upper*lower/(upper+lower) + 4.7e3
	pin := leadV * lower / (upper + lower)
	pin -= source * (pin - 0.7) / (f.mohm * (1 + 0.04*dk/25))
	sum, squares := 0.0, 0.0
	for range n {
		v := pin*f.gain*(1+f.gainK*dk) + f.offsetV + 125e-6*f.rng.NormFloat64()
		v = math.Round(v/codeV) * codeV
		sum, squares = sum+v, squares+v*v
	}
	mean = sum / float64(n)
	return mean, math.Sqrt(max(0, squares/float64(n)-mean*mean) / float64(n))
}

// Calibrated at two points at 20 °C and used from 0 to 45 °C, twice the stated
// uncertainty contains the truth nineteen times out of twenty.
func TestVoltsAreCovered(t *testing.T) {
	const nominal = 35.7 / 2.7
	rng := rand.New(rand.NewPCG(4, 4))
	covered, n, width := 0, 0, 0.0
	for range 4000 {
		f := newFrontEnd(rng)
		meter := 0.0005 // its limits at 12 V, relative: a good hand meter, value from memory
		trueV := 12 + rng.Float64()
		typed := trueV * (1 + meter*(2*rng.Float64()-1))
		zeroPin, zeroU := f.read(0, 20, 200)
		pin, pinU := f.read(trueV, 20, 200)
		c, err := Calibrate(KnownPoint{PinV: zeroPin, UPinV: zeroU},
			KnownPoint{LeadV: typed, ULeadV: typed * meter / math.Sqrt(3), PinV: pin, UPinV: pinU}, nominal, codeV)
		if err != nil {
			t.Fatal(err)
		}
		for range 10 {
			v := 16 * rng.Float64()
			got, _ := f.read(v, 45*rng.Float64(), 1)
			u := math.Hypot(c.U(v), c.Gain*math.Hypot(125e-6, codeV*0.29))
			n++
			width += 2 * u
			if math.Abs(c.LeadV(got)-v) <= 2*u {
				covered++
			}
		}
	}
	t.Logf("%.2f %% of %d within twice the uncertainty, %.1f mV in the mean", 100*float64(covered)/float64(n), n, 1e3*width/float64(n))
	if share := float64(covered) / float64(n); share < 0.95 {
		t.Errorf("%.4f covered, want 0.95", share)
	}
}

// Worked example 14 of the handbook's EXAMPLES.md, of a measurement uncertainty package's manual, recomputed:
// u₁ = 0.05 with 9 degrees of freedom and u₂ = 0.03 give u = 0.058309..., U =
// 0.116619 at k = 2 (combination as in JCGM 100:2008, 5.1.2).
func TestUncertaintiesAddInSquares(t *testing.T) {
	c := Calibration{UGain: 0.05, UOffsetV: 0.03}
	if u := c.U(1); math.Abs(u-0.05830952) > 5e-9 || math.Abs(2*u-0.116619) > 5e-7 {
		t.Errorf("u = %.8f, want 0.05830952", u)
	}
}

func TestCalibrateRefusesNonsense(t *testing.T) {
	const nominal = 35.7 / 2.7
	good := KnownPoint{LeadV: 12.6, PinV: 12.6 / nominal}
	for _, c := range []struct {
		name        string
		zero, known KnownPoint
		want        string
	}{
		{"not on earth", KnownPoint{PinV: 12.6 / nominal}, good, "should be on earth"},
		{"not connected", KnownPoint{}, KnownPoint{LeadV: 12.6, PinV: 0.001}, "is it connected?"},
		{"reference off by 3 %", KnownPoint{}, KnownPoint{LeadV: 12.98, PinV: 12.6 / nominal}, "3.0 % apart"},
		{"too low", KnownPoint{}, KnownPoint{LeadV: 1.5, PinV: 1.5 / nominal}, "at least 5 V"},
	} {
		if _, err := Calibrate(c.zero, c.known, nominal, codeV); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want it to say %q", c.name, err, c.want)
		}
	}
	if _, err := Calibrate(KnownPoint{}, good, nominal, codeV); err != nil {
		t.Errorf("a good one: %v", err)
	}
}
