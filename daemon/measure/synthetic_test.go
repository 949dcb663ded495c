package measure

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"keyturn/adc"
)

// wire is a wire voltage as steps: it stands at v from t on.
type wire []step

type step struct {
	t time.Duration
	v float64
}

// synthetic is a bench without chips: each lead a wire behind an exact filter,
// each sample the exact window mean plus seeded noise, rounded to a code.
type synthetic struct {
	params   Params
	wires    []wire
	interval time.Duration
	noiseV   float64
	rng      *rand.Rand
	tau      time.Duration
}

const (
	testWindow = 1163 * time.Microsecond
	testRatio  = 13.22
)

// newSynthetic makes n slot leads behind a battery sense lead, which is lead 0.
func newSynthetic(seed uint64, wires ...wire) *synthetic {
	s := &synthetic{
		wires: wires, interval: 6470 * time.Microsecond, noiseV: 1.65e-3,
		rng: rand.New(rand.NewPCG(seed, 1)), tau: 1400 * time.Microsecond,
	}
	s.params = Params{BatterySense: 0, Key: NoKeySense(), WatchFor: 5 * time.Second}
	for i := range wires {
		s.params.Leads = append(s.params.Leads, adc.Lead{
			Name: "lead-" + string(rune('a'+i)), Chip: "adc-1", Input: i,
			Tau: s.tau, TauFloating: 1512 * time.Microsecond, UTau: 0.005,
			Calibration: adc.Calibration{Gain: testRatio, UGain: 0.001, UOffsetV: 0.002},
		})
		if i > 0 {
			s.params.Slots = append(s.params.Slots, Slot{Name: "s" + string(rune('a'+i)), Leads: []SlotLead{{Lead: i}}})
		}
	}
	return s
}

// mean is the exact mean of the filtered wire over a window in nanoseconds.
func (w wire) mean(from, to, tau float64) float64 {
	y, sum := w[0].v, 0.0
	for i := range w {
		v := w[i].v
		begin := float64(w[i].t)
		end := math.Inf(1)
		if i+1 < len(w) {
			end = float64(w[i+1].t)
		}
		t := begin
		if i == 0 {
			t = math.Min(begin, from)
		}
		if end <= from {
			y = v + (y-v)*math.Exp(-(end-t)/tau)
			continue
		}
		a, b := math.Max(t, from), math.Min(end, to)
		ya := v + (y-v)*math.Exp(-(a-t)/tau)
		if b > a {
			sum += v*(b-a) + (ya-v)*tau*(1-math.Exp(-(b-a)/tau))
		}
		if end >= to {
			break
		}
		y = v + (y-v)*math.Exp(-(end-t)/tau)
	}
	return sum / (to - from)
}

// inputs returns all samples up to a time, in order.
func (s *synthetic) inputs(until time.Duration) []adc.Input {
	var in []adc.Input
	n := len(s.wires)
	for k := 0; ; k++ {
		// A verification of the chips every sixteen rounds takes 0.3 ms.
		t := time.Duration(k)*s.interval + time.Duration(k/16)*300*time.Microsecond
		if t > until {
			return in
		}
		for pos := range s.wires {
			// As the scanner does, neighbours change places every eight rounds.
			i := pos
			if swapped := pos ^ 1; k/8%2 == 1 && swapped < n {
				i = swapped
			}
			from := adc.Instant(t + s.interval*time.Duration(pos)/time.Duration(max(n, 4)) + 10*time.Millisecond)
			to := from.Add(testWindow)
			v := s.wires[i].mean(float64(from), float64(to), float64(s.tau)) + s.noiseV*s.rng.NormFloat64()
			code := math.Round(v / testRatio / 4.096 * 32768)
			in = append(in, adc.Input{Kind: adc.SampleInput, At: to, Sample: adc.Sample{
				Lead: i, Code: int16(min(max(code, -32768), 32767)), FullScaleUV: 4096000,
				From: from, To: to, StampErr: 5 * time.Microsecond, NoiseV: 125e-6,
			}})
		}
	}
}

func run(p Params, in []adc.Input) []Event {
	e := New(p)
	var out []Event
	for _, i := range in {
		out = append(out, e.Step(i)...)
	}
	return append(out, e.Flush()...)
}

func transitions(ev []Event, lead int) []Transition {
	var out []Transition
	for _, e := range ev {
		switch t := e.(type) {
		case *Transition:
			if t.Lead == lead {
				out = append(out, *t)
			}
		case *TransitionWithdrawn:
			for k := range out {
				if out[k].ID == t.ID {
					out = append(out[:k], out[k+1:]...)
					break
				}
			}
		}
	}
	return out
}

func TestCleanStepsAreBracketedAndDated(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	var errs []float64
	for trial := range 2000 {
		up := time.Duration(500+rng.Float64()*50) * time.Millisecond
		up += time.Duration(rng.IntN(1e6))
		down := up + 20*time.Millisecond + time.Duration(rng.Int64N(int64(300*time.Millisecond)))
		s := newSynthetic(uint64(trial), wire{{0, 12.6}}, wire{{0, 0}, {up, 12.5}, {down, 0}}, wire{{0, 0}}, wire{{0, 0}})
		got := transitions(run(s.params, s.inputs(1200*time.Millisecond)), 1)
		if len(got) != 2 {
			t.Fatalf("trial %d: %d transitions, want 2 (up %v down %v): %+v", trial, len(got), up, down, got)
		}
		for i, want := range []time.Duration{up, down} {
			w := adc.Instant(want)
			if w < got[i].NotBefore || w > got[i].NotAfter {
				t.Errorf("trial %d: %v not in [%v, %v] %s", trial, want, got[i].NotBefore, got[i].NotAfter, got[i].State)
			}
			if width := got[i].NotAfter.Sub(got[i].NotBefore); width > s.interval*5/4+600*time.Microsecond+testWindow {
				t.Errorf("trial %d: bracket %v wide (%s)", trial, width, got[i].State)
			}
			errs = append(errs, math.Abs(float64(got[i].At-w)))
		}
	}
	slices.Sort(errs)
	t.Logf("error of the instant: median %.1f us, 99th percentile %.1f us", errs[len(errs)/2]/1e3, errs[len(errs)*99/100]/1e3)
}
