package handbook

import (
	"math"
	"testing"
	"time"
)

// Figures worked from the profiles of ISO 16750-2 by hand (base 12.0 V, sine
// falling from its centre): they judge the table and the curve together.
func TestStartingProfiles(t *testing.T) {
	limits := []float64{9.6, 9.0, 7.2, 6.0}
	for _, want := range []struct {
		level           string
		totalS          float64
		minV, meanV     float64
		belowMS         []float64
		crosses9point6S float64
	}{
		{"I", 1.110, 8.0, 10.4347, []float64{192.6, 36.3, 0, 0}, 0.003},
		{"II", 10.170, 4.5, 7.5107, []float64{10115.1, 10101.3, 4091.8, 41.0}, 0.0016},
		{"III", 1.170, 3.0, 6.1603, []float64{1128.7, 1118.3, 1087.3, 566.7}, 0.001333},
		{"IV", 10.170, 6.0, 7.5170, []float64{10114.7, 10100.8, 4086.0, 0}, 0.002},
	} {
		p, err := FindStartingProfile(want.level)
		if err != nil {
			t.Fatal(err)
		}
		near(t, want.level+" lasts s", p.Length().Seconds(), want.totalS, 1e-9)
		const step = 50 * time.Microsecond
		sum, n, least, crossing := 0.0, 0, math.Inf(1), -1.0
		below := make([]float64, len(limits))
		for at := step / 2; at < p.Length(); at += step {
			v := p.V(at)
			sum, n, least = sum+v, n+1, min(least, v)
			if crossing < 0 && v < 9.6 {
				crossing = at.Seconds()
			}
			for i, limit := range limits {
				if v < limit {
					below[i] += step.Seconds() * 1e3
				}
			}
		}
		near(t, want.level+" least V", least, want.minV, 1e-9)
		near(t, want.level+" mean V", sum/float64(n), want.meanV, 1e-4)
		near(t, want.level+" crosses 9.6 V at s", crossing, want.crosses9point6S, 5e-5)
		for i := range limits {
			near(t, want.level+" ms below", below[i], want.belowMS[i], 0.1)
		}
		if p.V(-1) != 12 || p.V(p.Length()) != 12 || p.V(0) != 12 {
			t.Errorf("%s does not begin and end at 12 V", want.level)
		}
	}
	_, err := FindStartingProfile("V")
	notInTable(t, err, `"V"`, "I, II, III, IV")
}
