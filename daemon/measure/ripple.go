package measure

import (
	"math"
	"time"
)

// This file finds the compression strokes in the battery's voltage while the
// engine turns: each stroke loads the starter, so the plateau ripples at
// f = n·N/120 (four strokes; n in 1/min, N cylinders). A sinusoid and a straight
// line are fitted to the plateau by least squares at each frequency of a grid (a
// periodogram for samples at any distance), then at the best one. What does not
// stand out says nothing.

const (
	rippleLeastHz, rippleMostHz = 2.5, 25.0 // 3 cylinders at 100/min to 8 at 375
	rippleLeastFor              = 400 * time.Millisecond
	rippleLeastPeriods          = 3.0
	// ripplePart is the part of the plateau's variance about a line that the
	// sinusoid must explain.
	ripplePart = 0.4
	// gridStep is the grid's step in the reciprocal of the plateau's length: a
	// peak is about one wide.
	gridStep = 0.25
	// rippleLeastNoise is the amplitude that counts, in standard deviations of
	// the lead's noise.
	rippleLeastNoise = 4.0
)

// Ripple is the battery's ripple while the engine turned.
type Ripple struct {
	Hz, UHz float64 // frequency, standard uncertainty (k = 1)
	V       float64 // amplitude in volts
}

// plateauRipple finds the ripple during a stretch; ok is false where none
// stands out.
func (l *lead) plateauRipple(pts []point, during span) (r Ripple, ok bool) {
	var ts, vs []float64
	for i := range pts {
		if pts[i].from >= during.from && pts[i].to <= during.to {
			ts, vs = append(ts, float64(pts[i].mid()-during.from)*1e-9), append(vs, pts[i].v)
		}
	}
	if len(ts) < 24 {
		return r, false
	}
	length := ts[len(ts)-1] - ts[0]
	if length < rippleLeastFor.Seconds() {
		return r, false
	}
	lowest := max(rippleLeastHz, rippleLeastPeriods/length)
	line := fitSinusoid(ts, vs, 0)
	best, at := line, 0.0
	for f := lowest; f <= rippleMostHz; f += gridStep / length {
		if s := fitSinusoid(ts, vs, f); s.rest < best.rest {
			best, at = s, f
		}
	}
	if at == 0 || at <= lowest || at >= rippleMostHz-gridStep/length {
		return r, false // at an end of the range: a drift, no ripple
	}
	// The minimum between the grid's points, by a parabola.
	step := gridStep / 2 / length
	a, b := fitSinusoid(ts, vs, at-step), fitSinusoid(ts, vs, at+step)
	if d := a.rest - 2*best.rest + b.rest; d > 0 {
		at += step * min(max(0.5*(a.rest-b.rest)/d, -1), 1)
	}
	n := float64(len(ts))
	noise := math.Sqrt(best.rest / (n - 5))
	if best.rest > (1-ripplePart)*line.rest || best.amplitude < rippleLeastNoise*l.noiseV {
		return r, false
	}
	// Cramér-Rao bound of a sinusoid's frequency in white noise: √6·σ/(π·A·T·√n).
	// What is left over is mostly the engine's uneven turning, which is not
	// white: a stroke's worth of it counts as one sample.
	independent := max(3, min(n, 2*at*length))
	u := math.Sqrt(6) * noise / (math.Pi * best.amplitude * length * math.Sqrt(independent))
	return Ripple{Hz: at, UHz: u, V: best.amplitude}, true
}

// sinusoid is a fit of a line and a sinusoid.
type sinusoid struct{ amplitude, rest float64 } // rest: sum of squares left

// fitSinusoid fits v = a + b·t + c·cos + d·sin at a frequency; none at 0.
func fitSinusoid(ts, vs []float64, hz float64) sinusoid {
	var m [4][4]float64
	var y [4]float64
	unknowns := 4
	if hz == 0 {
		unknowns = 2
	}
	middle := (ts[0] + ts[len(ts)-1]) / 2
	row := func(t float64) [4]float64 {
		s, c := math.Sincos(2 * math.Pi * hz * t)
		return [4]float64{1, t - middle, c, s}
	}
	for i, t := range ts {
		x := row(t)
		for a := range unknowns {
			y[a] += x[a] * vs[i]
			for b := range unknowns {
				m[a][b] += x[a] * x[b]
			}
		}
	}
	for a := unknowns; a < 4; a++ {
		m[a][a] = 1
	}
	p, _, ok := solve4(&m, &y)
	if !ok {
		return sinusoid{rest: math.Inf(1)}
	}
	out := sinusoid{amplitude: math.Hypot(p[2], p[3])}
	for i, t := range ts {
		x := row(t)
		d := vs[i] - (p[0]*x[0] + p[1]*x[1] + p[2]*x[2] + p[3]*x[3])
		out.rest += d * d
	}
	return out
}
