package measure

import (
	"math"
)

// This file fits the instant of a step to the samples around it. With the wire at
// the parts k0 and k1 of the reference before and after a step at t0, the lead's
// filter with time constant τ gives
//
//	v(t) = k1·ref(t) + (y0 - k1·ref(t0))·exp(-(t-t0)/τ),  y0 = k0·ref(t0)
//
// whatever the reference does meanwhile, for it went through a filter of the same
// kind: a step on top of a sag is no special case. Each sample is the mean of v
// over its window. Where an earlier step has not settled, y0 is what is left of
// it. The unknowns are t0, k0, k1 and ln τ; the last is known beforehand, within
// its uncertainty, and so is k1 where the state is too short to show it.
//
// Least squares by Gauss and Newton: the covariance of the result is the inverse
// of the normal matrix. With Gaussian noise of standard deviation σ that matrix is
// the Fisher information, so the standard uncertainty of t0 is at its Cramér-Rao
// bound: for one sample on the curve with known levels and τ, dv/dt0 =
// (y0-k1·ref)/τ·exp(-(t-t0)/τ), thus u(t0) = σ·τ/|y0-k1·ref|·exp((t-t0)/τ).

const (
	fitPointsMax = 16
	fitRounds    = 20
	// residualMost is how many standard deviations a sample may be off a curve
	// that holds; chiMost bounds the mean square of them all.
	residualMost = 4.0
	chiMost      = 3.0
	// tensionMost is how many standard uncertainties the time constant may be off
	// what it is known to be.
	tensionMost = 3.0
	// levelSettles is how much the parts k of two calibrated leads may differ from
	// what they were at the lead's last edge: contact resistances, loads.
	levelSettles = 0.01
	// refSwing is the part of a kink in the reference that its chord may be off.
	refSwing = 0.4
)

// fitPoint is one sample as the fit sees it, in nanoseconds from the edge.
type fitPoint struct {
	from, width float64
	v, ref      float64
	sigma       float64
	before      bool // on the level before for certain
}

// tail is what an earlier step of the same lead has left to settle.
type tail struct {
	at  float64 // nanoseconds from the edge
	v   float64 // volts it had then
	tau float64
}

// stepFit is a fitted step.
type stepFit struct {
	t0, u   float64 // nanoseconds from the edge, standard uncertainty
	k0, k1  float64
	fall    float64 // volts to settle at t0
	lnTau   float64
	uLnTau  float64 // of ln τ, from the samples alone; 0 if they say nothing
	cost    float64 // sum of squares, what was known beforehand included
	chi     float64 // mean square of the residuals in σ
	worst   float64 // greatest of them
	ok      bool    // it converged to something that can be
	dataTau float64 // ln τ as the samples alone have it; valid if uLnTau > 0
}

// problem is what a fit starts from.
type problem struct {
	pts            [fitPointsMax]fitPoint
	n              int
	refAt, refRate float64 // reference at the edge, and per nanosecond
	tail           tail
	lnTau, uLnTau  float64
	k0, uK0        float64 // known beforehand; u 0: not at all
	k1, uK1        float64
}

func (q *problem) ref(t float64) float64 { return q.refAt + q.refRate*t }

// rest is what the earlier step has left at t.
func (q *problem) rest(t float64) float64 {
	if q.tail.v == 0 {
		return 0
	}
	return q.tail.v * math.Exp(-(t-q.tail.at)/q.tail.tau)
}

// share returns the mean share of a step at t0 still to come in a window, and
// its derivatives by t0 and by ln τ.
func share(from, width, t0, tau float64) (s, byT0, byLnTau float64) {
	w := width / tau
	switch x := t0 - from; {
	case x >= width:
		return 1, 0, 0
	case x > 0:
		y := (width - x) / tau
		e := math.Exp(-y)
		return (x + tau*(1-e)) / width, (1 - e) / width, tau * (1 - e - y*e) / width
	default:
		e := math.Exp(-w)
		g := (1 - e) / w
		s = g * math.Exp(x/tau)
		return s, s / tau, s * (-x/tau + 1 - w*e/(1-e))
	}
}

// solve fits the step. With free set, nothing is known of τ beforehand.
func (q *problem) solve(from stepFit, free bool) stepFit {
	p := [4]float64{from.t0, from.k0, from.k1, from.lnTau}
	var cov [4][4]float64
	out := from
	out.ok = false
	lambda := 0.0
	cost, normal, grad := q.linearize(&p, free)
	for range fitRounds {
		a := normal
		for i := range 4 {
			a[i][i] *= 1 + lambda
		}
		step, inv, ok := solve4(&a, &grad)
		if !ok {
			return out
		}
		next := p
		for i := range 4 {
			next[i] += step[i]
		}
		next[3] = min(max(next[3], q.lnTau-0.7), q.lnTau+0.7)
		c, n, g := q.linearize(&next, free)
		if c > cost+1e-9 {
			lambda = 4*lambda + 0.5
			continue
		}
		// Nanoseconds; a step at the edge of a window may go to and fro for ever.
		done := lambda < 0.1 && (abs(step[0]) < 20 || cost-c < 1e-6)
		p, cost, normal, grad, cov = next, c, n, g, inv
		lambda /= 8
		if lambda < 0.01 {
			lambda = 0
		}
		if done {
			out.ok = true
			break
		}
	}
	out.cost = cost
	out.t0, out.k0, out.k1, out.lnTau = p[0], p[1], p[2], p[3]
	out.u = math.Sqrt(max(cov[0][0], 0))
	out.uLnTau = math.Sqrt(max(cov[3][3], 0))
	q.judge(&out, free)
	return out
}

// linearize returns the sum of squares at p with the normal matrix and the
// gradient's negative half.
func (q *problem) linearize(p *[4]float64, free bool) (cost float64, normal [4][4]float64, grad [4]float64) {
	t0, k0, k1 := p[0], p[1], p[2]
	tau := math.Exp(p[3])
	ref0, rest0 := q.ref(t0), q.rest(t0)
	for i := range q.n {
		x := &q.pts[i]
		w := 1 / x.sigma
		model, row := q.model(x, t0, k0, k1, tau, ref0, rest0)
		r := (x.v - model) * w
		cost += r * r
		for a := range 4 {
			row[a] *= w
		}
		for a := range 4 {
			grad[a] += row[a] * r
			for b := range 4 {
				normal[a][b] += row[a] * row[b]
			}
		}
	}
	known := func(i int, value, u float64) {
		if u > 0 {
			w := 1 / (u * u)
			cost += (value - p[i]) * (value - p[i]) * w
			normal[i][i] += w
			grad[i] += (value - p[i]) * w
		}
	}
	known(1, q.k0, q.uK0)
	known(2, q.k1, q.uK1)
	if !free {
		known(3, q.lnTau, q.uLnTau)
	}
	return cost, normal, grad
}

// model returns a sample's expected value and its derivatives by t0, k0, k1, ln τ.
func (q *problem) model(x *fitPoint, t0, k0, k1, tau, ref0, rest0 float64) (v float64, row [4]float64) {
	if x.before {
		v = k0 * x.ref
		if q.tail.v != 0 { // its mean over the window: (2τ/w)·sinh(w/2τ) of its middle
			h := x.width / 2 / q.tail.tau
			v += q.rest(x.from+x.width/2) * math.Sinh(h) / h
		}
		return v, [4]float64{0, x.ref, 0, 0}
	}
	s, byT0, byLnTau := share(x.from, x.width, t0, tau)
	// The part of the window before the step is on the old level.
	old, oldByT0 := min(max((t0-x.from)/x.width, 0), 1), 0.0
	if old > 0 && old < 1 {
		oldByT0 = 1 / x.width
	}
	fall := (k0-k1)*ref0 + rest0
	row = [4]float64{
		(k0-k1)*x.ref*oldByT0 + fall*(byT0-oldByT0),
		old*x.ref + ref0*(s-old),
		(1-old)*x.ref - ref0*(s-old),
		fall * byLnTau,
	}
	if rest0 != 0 {
		row[0] -= rest0 / q.tail.tau * (s - old)
	}
	return (old*k0+(1-old)*k1)*x.ref + old*rest0 + fall*(s-old), row
}

// judge fills in how well the samples lie on the fit.
func (q *problem) judge(f *stepFit, free bool) {
	tau := math.Exp(f.lnTau)
	ref0, rest0 := q.ref(f.t0), q.rest(f.t0)
	sum := 0.0
	f.fall = (f.k0-f.k1)*ref0 + rest0
	f.worst = 0
	for i := range q.n {
		x := &q.pts[i]
		v, _ := q.model(x, f.t0, f.k0, f.k1, tau, ref0, rest0)
		r := abs(x.v-v) / x.sigma
		sum += r * r
		f.worst = max(f.worst, r)
	}
	// A curve that holds only with another time constant is none of this lead's.
	if q.uLnTau > 0 && !free {
		tension := abs(f.lnTau-q.lnTau) / q.uLnTau
		f.worst = max(f.worst, tension*residualMost/tensionMost)
	}
	f.chi = sum / float64(max(1, q.n-3))
}

// holds reports whether the model describes the samples.
func (f *stepFit) holds() bool { return f.ok && f.worst <= residualMost && f.chi <= chiMost }
