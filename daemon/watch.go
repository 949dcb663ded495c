package daemon

import (
	"math"
	"time"

	"keyturn/adc"
	"keyturn/daemon/measure"
)

// Watch follows what every lead reads at the moment, for the people who wire and
// calibrate a bench. Like the core it knows only the time of its inputs; it is
// not safe for concurrent use.
type Watch struct {
	p      measure.Params
	engine *measure.Engine
	leads  []watched
	now    adc.Instant
}

const (
	// watchKept is how many samples of a lead are kept: a second and a half of a
	// 16-lead bench.
	watchKept = 256
	// noiseOver is how many of the latest of them tell the noise.
	noiseOver = 64
	// movedOver is how far back a lead's movement is shown, in blocks of
	// movedBlock.
	movedBlock = 100 * time.Millisecond
	movedOver  = 20
)

type watched struct {
	ring     [watchKept]reading
	n        int64
	blocks   [movedOver]float64 // mean of each block, NaN where there was none
	block    int64
	sum      float64
	in       int
	state    measure.State
	reason   string
	stepV    float64
	noiseV   float64
	overload bool
}

type reading struct {
	to   adc.Instant
	pinV float64
}

// Reading is what a lead reads.
type Reading struct {
	// V is the lead's voltage, U its standard uncertainty (k = 1), both NaN while
	// nothing was read; NoiseV is the standard deviation of the latest samples.
	V, U, NoiseV float64
	// A and UA are the current of a lead that measures one, in amperes, positive out of
	// the battery, and its standard uncertainty; 0 for a probe lead.
	A, UA    float64
	State    measure.State
	Reason   string        // why the state is unknown
	Age      time.Duration // of the latest sample
	MovedV   float64       // between the lowest and highest tenth of the last two seconds
	Samples  int64
	Overload bool // beyond the converter's range
}

// NewWatch returns a watch of a bench's leads. The parameters are to be checked.
// States are by the absolute thresholds: while a bench is being wired its battery
// sense lead may be anywhere.
func NewWatch(p measure.Params) *Watch {
	p.BatterySense = measure.NoLead
	w := &Watch{p: p, engine: measure.New(p), leads: make([]watched, len(p.Leads))}
	for i := range w.leads {
		for k := range w.leads[i].blocks {
			w.leads[i].blocks[k] = math.NaN()
		}
	}
	return w
}

// Take takes the next input.
func (w *Watch) Take(in adc.Input) {
	w.now = max(w.now, in.At)
	for _, ev := range w.engine.Step(in) {
		if s, ok := ev.(*measure.StateChanged); ok {
			w.leads[s.Lead].state, w.leads[s.Lead].reason = s.State, s.Reason
		}
	}
	if s := &in.Sample; in.Kind == adc.SampleInput && s.Lead >= 0 && s.Lead < len(w.leads) {
		w.leads[s.Lead].take(s)
	}
}

func (l *watched) take(s *adc.Sample) {
	l.ring[l.n%watchKept] = reading{s.To, s.PinV()}
	l.n++
	l.stepV, l.noiseV, l.overload = s.StepV(), float64(s.NoiseV), s.Saturated
	if block := int64(s.To) / int64(movedBlock); block != l.block {
		for b := l.block + 1; b < block && b <= l.block+movedOver; b++ {
			l.blocks[b%movedOver] = math.NaN()
		}
		l.block, l.sum, l.in = block, 0, 0
	}
	l.sum, l.in = l.sum+s.PinV(), l.in+1
	l.blocks[l.block%movedOver] = l.sum / float64(l.in)
}

// PinMean returns the mean of a lead's samples since an instant in volts at the
// pin, its standard uncertainty from their scatter (s/√n, JCGM 100:2008, 4.2.3),
// and how many there were: at most the last second and a half.
func (w *Watch) PinMean(lead int, since adc.Instant) (mean, u float64, n int) {
	l := &w.leads[lead]
	sum, squares := 0.0, 0.0
	for i := max(0, l.n-watchKept); i < l.n; i++ {
		if r := l.ring[i%watchKept]; r.to >= since {
			sum, squares, n = sum+r.pinV, squares+r.pinV*r.pinV, n+1
		}
	}
	if n == 0 {
		return math.NaN(), math.NaN(), 0
	}
	mean = sum / float64(n)
	return mean, math.Sqrt(max(0, squares/float64(n)-mean*mean) / float64(n)), n
}

// Now returns the time of the latest input.
func (w *Watch) Now() adc.Instant { return w.now }

// Readings returns what every lead reads.
func (w *Watch) Readings() []Reading {
	out := make([]Reading, len(w.leads))
	for i := range w.leads {
		l := &w.leads[i]
		cal := &w.p.Leads[i].Calibration
		r := Reading{V: math.NaN(), U: math.NaN(), State: l.state, Reason: l.reason, Samples: l.n, Overload: l.overload}
		if l.n > 0 {
			last := l.ring[(l.n-1)%watchKept]
			r.V, r.Age = cal.LeadV(last.pinV), w.now.Sub(last.to)
			r.U = math.Hypot(cal.U(r.V), cal.Gain*math.Hypot(l.noiseV, l.stepV/math.Sqrt(12)))
			if d := &w.p.Leads[i]; d.IsCurrent() {
				r.A, r.UA = d.Current(last.pinV)
				r.UA = math.Hypot(r.UA, math.Hypot(l.noiseV, l.stepV/math.Sqrt(12))*cal.Gain/d.Shunt.Ohm)
			}
			r.NoiseV = l.scatter() * cal.Gain
			r.MovedV = l.moved() * cal.Gain
		}
		out[i] = r
	}
	return out
}

// scatter is the standard deviation of the latest samples about their own line
// from one to the next, so that a slow change is no noise: s = rms difference/√2.
func (l *watched) scatter() float64 {
	sum, n := 0.0, 0
	for i := max(1, l.n-noiseOver); i < l.n; i++ {
		d := l.ring[i%watchKept].pinV - l.ring[(i-1)%watchKept].pinV
		sum, n = sum+d*d, n+1
	}
	if n == 0 {
		return 0
	}
	return math.Sqrt(sum / float64(n) / 2)
}

func (l *watched) moved() float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range l.blocks {
		if !math.IsNaN(v) {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	return max(0, hi-lo)
}
