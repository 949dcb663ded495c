package measure_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/daemon/measure"
)

// stepBound is the Cramér-Rao bound of a step's instant: the least standard
// deviation that any unbiased estimate from these samples can have.
//
// Sample i is the mean m_i of v(t) = k1 + (k0-k1)·exp(-(t-t0)/τ) over its window
// plus independent Gaussian noise of standard deviation σ, the code's step
// included as width/√12. For unknown θ = (t0, k0, k1) and known τ the Fisher
// information is J_ab = Σ_i (∂m_i/∂θ_a)(∂m_i/∂θ_b)/σ², and the bound on t0 is
// √(J⁻¹)_00. The derivatives are differences of the exact mean, so the bound
// shares no code with the estimate.
func stepBound(samples []adc.Sample, t0 adc.Instant, k0, k1, tau, sigma float64) float64 {
	mean := func(s *adc.Sample, t0, k0, k1 float64) float64 {
		a, b := float64(s.From), float64(s.To)
		switch {
		case b <= t0:
			return k0
		case a < t0:
			return (k0*(t0-a) + k1*(b-t0) - (k0-k1)*tau*math.Expm1(-(b-t0)/tau)) / (b - a)
		}
		return k1 + (k0-k1)*tau/(b-a)*(math.Exp(-(a-t0)/tau)-math.Exp(-(b-t0)/tau))
	}
	var j [3][3]float64
	for i := range samples {
		s := &samples[i]
		x := float64(t0)
		d := [3]float64{
			(mean(s, x+500, k0, k1) - mean(s, x-500, k0, k1)) / 1000,
			(mean(s, x, k0+0.5, k1) - mean(s, x, k0-0.5, k1)),
			(mean(s, x, k0, k1+0.5) - mean(s, x, k0, k1-0.5)),
		}
		for a := range 3 {
			for b := range 3 {
				j[a][b] += d[a] * d[b] / (sigma * sigma)
			}
		}
	}
	// The inverse's first element, by cofactors.
	minor := j[1][1]*j[2][2] - j[1][2]*j[2][1]
	det := j[0][0]*minor - j[0][1]*(j[1][0]*j[2][2]-j[1][2]*j[2][0]) + j[0][2]*(j[1][0]*j[2][1]-j[1][1]*j[2][0])
	return math.Sqrt(minor / det)
}

// timed is a clean step as found: error, bound, bracket's error in nanoseconds.
type timed struct {
	at                 adc.Instant
	err, bound, middle float64
	live, curve        bool
}

// timeSteps times clean steps on the reference bench until there are enough:
// 16 leads, four ADS1115, 400 kHz, oscillators within 8 %, noise of the data
// sheet, time constants learned from the edges before.
func timeSteps(t testing.TB, n int, host adctest.BusOptions) []timed {
	var out []timed
	for seed := uint64(1); len(out) < n; seed++ {
		r := runSteps(t, seed*17, clean, host, 30, true)
		var all []timed
		for lead, edges := range r.edges {
			for _, e := range edges {
				x := r.match(lead, e)
				if x == nil {
					t.Fatalf("seed %d: step of lead %d at %d not found", seed, lead, e.at)
				}
				k0, k1 := 0.0, r.part[lead]*12.6
				if !e.live {
					k0, k1 = k1, k0
				}
				near := around(r.samples[lead], e.at)
				noise := float64(near[0].NoiseV) * r.gain[lead]
				code := near[0].StepV() * r.gain[lead]
				all = append(all, timed{
					at: e.at, err: float64(x.At - e.at), live: e.live, curve: x.Timing == measure.TimingCurve,
					bound:  stepBound(near, e.at, k0, k1, r.tau[lead], math.Sqrt(noise*noise+code*code/12)),
					middle: float64(x.NotBefore+(x.NotAfter-x.NotBefore)/2) - float64(e.at),
				})
			}
		}
		slices.SortFunc(all, func(a, b timed) int { return int(a.at - b.at) })
		out = append(out, all...)
	}
	return out
}

// around is the samples from which an instant can be estimated: four before it,
// seven from it on.
func around(all []adc.Sample, at adc.Instant) []adc.Sample {
	i, _ := slices.BinarySearchFunc(all, at, func(s adc.Sample, t adc.Instant) int { return int(s.To - t) })
	return all[max(0, i-4):min(len(all), i+7)]
}

// quantile returns a quantile of absolute values.
func quantile(x []float64, part float64) float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = math.Abs(v)
	}
	slices.Sort(y)
	return y[min(int(part*float64(len(y))), len(y)-1)]
}

// BenchmarkStepInstant reports the errors of 10 000 clean steps in microseconds:
// of single instants where the host's call is known (up, down), and of the
// delays between two leads of the bus where it is not; how often the curve dates
// the step; the gain over the bracket's middle; and the efficiency: the
// Cramér-Rao bound's variance over the achieved one, of the middle half of the
// steps, whose errors are in the shape of a Gaussian.
func BenchmarkStepInstant(b *testing.B) {
	b.Run("single", func(b *testing.B) {
		for b.Loop() {
			reportSteps(b, timeSteps(b, stepInstants, knownHost))
		}
	})
	b.Run("delays", func(b *testing.B) {
		for b.Loop() {
			host := adctest.BusOptions{OverheadMin: 70 * time.Microsecond, OverheadMax: 70 * time.Microsecond, OverheadBefore: 0.9}
			var delays []float64
			steps := timeSteps(b, stepInstants, host)
			for i := 0; i+1 < len(steps); i += 2 {
				delays = append(delays, steps[i+1].err-steps[i].err)
			}
			b.ReportMetric(quantile(delays, 0.5)/1e3, "median-us")
			b.ReportMetric(quantile(delays, 0.99)/1e3, "p99-us")
		}
	})
}

func reportSteps(b *testing.B, steps []timed) {
	var all, up, down, middles, parts []float64
	curves := 0
	for _, s := range steps {
		all, middles, parts = append(all, s.err), append(middles, s.middle), append(parts, s.err/s.bound)
		if s.live {
			up = append(up, s.err)
		} else {
			down = append(down, s.err)
		}
		if s.curve {
			curves++
		}
	}
	b.ReportMetric(quantile(all, 0.5)/1e3, "median-us")
	b.ReportMetric(quantile(all, 0.99)/1e3, "p99-us")
	b.ReportMetric(quantile(up, 0.5)/1e3, "up-median-us")
	b.ReportMetric(quantile(up, 0.99)/1e3, "up-p99-us")
	b.ReportMetric(quantile(down, 0.5)/1e3, "down-median-us")
	b.ReportMetric(quantile(down, 0.99)/1e3, "down-p99-us")
	b.ReportMetric(quantile(middles, 0.5)/quantile(all, 0.5), "x-bracket-middle")
	b.ReportMetric(100*float64(curves)/float64(len(steps)), "curve-%")
	// Half of a Gaussian's values are within 0.6745 standard deviations.
	b.ReportMetric(math.Pow(0.6745/quantile(parts, 0.5), 2), "efficiency")
}

// Clean steps are timed to microseconds, and not much worse than they can be.
func TestStepInstantsBound(t *testing.T) {
	steps := timeSteps(t, stepInstants, knownHost)
	var up, down, parts []float64
	for _, s := range steps {
		parts = append(parts, s.err/s.bound)
		if s.live {
			up = append(up, s.err)
		} else {
			down = append(down, s.err)
		}
	}
	for name, errs := range map[string][]float64{"up": up, "down": down} {
		if p50, p99 := quantile(errs, 0.5), quantile(errs, 0.99); p50 > 5e3 || p99 > 40e3 {
			t.Errorf("%s: median %.1f us, 99 %% %.1f us, want 5 and 40", name, p50/1e3, p99/1e3)
		}
	}
	if efficiency := math.Pow(0.6745/quantile(parts, 0.5), 2); efficiency < 0.5 {
		t.Errorf("efficiency %.2f, want 0.5", efficiency)
	}
}
