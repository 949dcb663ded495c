package measure

import (
	"math"
	"time"

	"keyturn/adc"
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
	// fitDevMost is the share of the step beyond which a sample has hardly begun
	// to move: alone it dates nothing.
	fitDevMost = 0.97
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
	moved   int     // samples that are on the curve
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
	start          float64 // where to look first
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
	f.worst, f.moved = 0, 0
	for i := range q.n {
		x := &q.pts[i]
		v, row := q.model(x, f.t0, f.k0, f.k1, tau, ref0, rest0)
		r := abs(x.v-v) / x.sigma
		sum += r * r
		f.worst = max(f.worst, r)
		if abs(row[0])*f.u > 0.2*x.sigma {
			f.moved++
		}
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

// solve4 solves a·x = b for a symmetric positive matrix by Cholesky's method and
// returns a's inverse, too.
func solve4(a *[4][4]float64, b *[4]float64) (x [4]float64, inv [4][4]float64, ok bool) {
	// Scaled to a unit diagonal, for the unknowns differ by many decades.
	var d [4]float64
	for i := range 4 {
		if a[i][i] <= 0 || math.IsNaN(a[i][i]) || math.IsInf(a[i][i], 0) {
			return x, inv, false
		}
		d[i] = 1 / math.Sqrt(a[i][i])
	}
	var l [4][4]float64
	for i := range 4 {
		for j := 0; j <= i; j++ {
			s := a[i][j] * d[i] * d[j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i != j {
				l[i][j] = s / l[j][j]
				continue
			}
			if s < 1e-12 {
				return x, inv, false
			}
			l[i][i] = math.Sqrt(s)
		}
	}
	column := func(c *[4]float64) {
		for i := range 4 {
			for k := range i {
				c[i] -= l[i][k] * c[k]
			}
			c[i] /= l[i][i]
		}
		for i := 3; i >= 0; i-- {
			for k := i + 1; k < 4; k++ {
				c[i] -= l[k][i] * c[k]
			}
			c[i] /= l[i][i]
		}
	}
	for j := range 4 {
		var e [4]float64
		e[j] = d[j]
		column(&e)
		for i := range 4 {
			inv[i][j] = e[i] * d[i]
		}
	}
	for i := range 4 {
		for j := range 4 {
			x[i] += inv[i][j] * b[j]
		}
	}
	return x, inv, true
}

// newProblem sets up the fit of an edge: samples up to number j are on the level
// before, those from k on may be on the curve, up to but not including end.
func (l *lead) newProblem(pts []point, j, k, end int) (q problem, zero adc.Instant) {
	zero = pts[j].to
	first := j
	for first > 0 && j-first < levelMax-1 && abs(pts[first-1].r-pts[j].r) <= flatR {
		first--
	}
	end = min(end, k+fitPointsMax-(j+1-first))
	calm := l.refKinks(pts[max(first-1, 0):min(end+1, len(pts))]) == 0
	meanRef := 0.0
	if calm {
		for i := first; i < end; i++ {
			meanRef += pts[i].ref / float64(end-first)
		}
	}
	code := l.voltsPerCode * l.voltsPerCode / 12
	for i := first; i < end; i++ {
		if i > j && i < k {
			continue
		}
		p := &pts[i]
		x := fitPoint{from: float64(p.from - zero), width: float64(p.to - p.from), v: p.v, ref: p.ref, before: i < j}
		variance := l.noiseV*l.noiseV + code
		if p.ref != l.absoluteRef {
			part := 0.5 // two samples' noise at best
			if calm {
				x.ref, part = meanRef, 1/float64(end-first)
			}
			variance += square(max(p.r, 0)) * (part*(l.noiseV*l.noiseV+code) + square(refSwing*l.refKinks(pts[max(i-2, 0):min(i+3, len(pts))])))
		}
		x.sigma = math.Sqrt(variance)
		q.pts[q.n] = x
		q.n++
	}
	a, b := &pts[max(j-1, 0)], &pts[min(k+1, len(pts)-1)]
	q.refAt = pts[j].ref
	switch {
	case calm:
		q.refAt = meanRef
	case b.mid() > a.mid():
		q.refRate = (b.ref - a.ref) / float64(b.mid()-a.mid())
		q.refAt = a.ref + q.refRate*float64(zero-a.mid())
	}
	return q, zero
}

// refKinks returns the greatest kink of the reference along samples beyond what
// its noise can be.
func (l *lead) refKinks(pts []point) float64 {
	kink := 0.0
	for i := 2; i < len(pts); i++ {
		kink = max(kink, abs(pts[i].ref-2*pts[i-1].ref+pts[i-2].ref))
	}
	if slope := abs(pts[len(pts)-1].ref - pts[0].ref); kink < 5*l.noiseV && slope > 5*l.noiseV {
		return 1e-9 // it moves, along a line
	}
	return max(0, kink-5*l.noiseV)
}

// uniformPart is the standard uncertainty of a value known within a width.
func uniformPart(width float64) float64 { return abs(width) / math.Sqrt(12) }

// fitted is an edge dated by a fit.
type fitted struct {
	step  stepFit
	at    adc.Instant
	alone time.Duration // standard uncertainty of the fit
	u     time.Duration // the same with window stamps and hidden bounce
	zero  adc.Instant   // where the fit's time begins

	floating float64 // how probably the wire floats after a fall
	spread   float64 // both are possible
	hidden   float64 // a bounce that cannot show
}

// fitEdge dates the edge by a fit; ok is false where no curve holds. A bounce or
// a slow switch that shows in a sample is none.
func (l *lead) fitEdge(pts []point, j, i int, state State, v0, v1 float64) (f fitted, ok bool) {
	end := l.settledUntil(pts, i)
	f = l.fitFrom(pts, j, j+1, end, state, v0, v1)
	if !f.step.holds() && end > i+2 {
		// The next edge may have begun in the last of them.
		f = l.fitFrom(pts, j, j+1, end-1, state, v0, v1)
	}
	if !f.step.holds() {
		return f, false
	}
	alone := math.Hypot(f.step.u, f.spread)
	f.at, f.alone = f.zero+adc.Instant(f.step.t0), time.Duration(alone)
	f.u = time.Duration(math.Hypot(math.Hypot(alone, f.hidden), float64(pts[i].uNS)))
	return f, true
}

// fitFrom fits the curve to the samples from k on.
func (l *lead) fitFrom(pts []point, j, k, end int, state State, v0, v1 float64) fitted {
	q, zero := l.newProblem(pts, j, k, end)
	q.tail = l.tailAt(zero)
	if end-k < 3 || end <= k+1 {
		if part := l.levelOf(state); part != 0 || state == Dead {
			q.k1, q.uK1 = part, levelSettles
		}
	}
	x := &pts[min(k, len(pts)-1)]
	dev := min(max((x.r-v1)/(v0-v1), devLeast), devMost)
	solve := func(tau, u float64) stepFit {
		q.lnTau, q.uLnTau = math.Log(tau), u
		d := dateSample(x, dev, abs(v0-v1), tau, l)
		return q.solve(stepFit{t0: float64(d.at - zero), k0: v0, k1: v1, lnTau: q.lnTau}, false)
	}
	out := fitted{zero: zero}
	if state == Live {
		// A source that gives way under the lead's load makes the filter slower:
		// how much of the difference is its doing cannot be told.
		weak := min(max(l.tau.part-v1, -1), 1) * (l.tau.floating.value - l.tau.driven.value)
		tau := l.tau.driven.value + weak/2
		out.step = solve(tau, math.Hypot(l.tau.driven.u, uniformPart(weak)/tau))
	} else {
		driven, floating := solve(l.tau.driven.value, l.tau.driven.u), solve(l.tau.floating.value, l.tau.floating.u)
		out.step, out.spread, out.floating = mix(driven, floating, l.tau.floats())
	}
	if out.step.ok {
		out.step.dataTau, out.step.uLnTau = q.freeTau(out.step)
	}
	if out.step.holds() {
		out.hidden = l.hiddenBounce(&q, out.step)
	}
	return out
}

// mix returns the step from what it is with the wire driven and floating. Which
// it was shows in the fits (odds exp(-Δχ²/2)) and in what the lead's falls were
// before; what stays open is the spread of the two.
func mix(driven, floating stepFit, floats float64) (f stepFit, spread, isFloating float64) {
	switch {
	case !floating.holds():
		return driven, 0, 0
	case !driven.holds():
		return floating, 0, 1
	}
	p := floats / (floats + (1-floats)*math.Exp((floating.cost-driven.cost)/2))
	f = driven
	if p > 0.5 {
		f = floating
	}
	f.t0 = p*floating.t0 + (1-p)*driven.t0
	return f, math.Sqrt(p*(1-p)) * abs(floating.t0-driven.t0), p
}

// freeTau returns ln τ as the samples alone have it.
func (q *problem) freeTau(f stepFit) (lnTau, u float64) {
	g := q.solve(f, true)
	if !g.ok || g.worst > residualMost {
		return 0, 0
	}
	return g.lnTau, g.uLnTau
}

// hiddenBounce is the standard uncertainty that a bounce adds which the samples
// cannot show: one within reach of the first moved sample shifts its curve, and
// only the samples past it could tell, as well as they date the step by
// themselves.
func (l *lead) hiddenBounce(q *problem, f stepFit) float64 {
	reach := float64(l.bounceMax)
	past := *q
	past.n = 0
	suspect := false
	for i := range q.n {
		x := q.pts[i]
		if !x.before && x.from-f.t0 < reach && x.from+x.width > f.t0 {
			suspect = true
			continue
		}
		past.pts[past.n] = x
		past.n++
	}
	if !suspect {
		return 0
	}
	p := [4]float64{f.t0, f.k0, f.k1, f.lnTau}
	_, normal, _ := past.linearize(&p, false)
	normal[0][0] += 1 / square(uniformPart(2*reach))
	var zero [4]float64
	_, inv, ok := solve4(&normal, &zero)
	if !ok {
		return uniformPart(2 * reach)
	}
	return hiddenPart * math.Sqrt(inv[0][0])
}

// hiddenPart is how much of what the later samples leave open counts as the
// standard uncertainty of a hidden bounce: one that shifts the curve by more than
// residualMost of it would show, so twice the uncertainty reaches as far.
const hiddenPart = residualMost / 2

// settledUntil returns the number after the last sample that belongs to the state
// begun with number i.
func (l *lead) settledUntil(pts []point, i int) int {
	k := min(i+2, len(pts))
	for k < len(pts) && k < i+resolveAfter+1 && abs(pts[k].r-pts[k-1].r) <= flatR {
		k++
	}
	return k
}
