package measure

import (
	"math"
	"time"

	"keyturn/adc"
)

// This file dates an edge by the lead's curve: it chooses the samples and what is
// known beforehand, lets fit.go fit the step, and says what the fit's own
// uncertainty does not contain: whether the wire floats, and a bounce that cannot
// show.

// newProblem sets up the fit of an edge: samples up to number j are on the level
// before, those after it may be on the curve, up to but not including end.
func (l *lead) newProblem(pts []point, j, end int) (q problem, zero adc.Instant) {
	zero = pts[j].to
	first := j
	for first > 0 && j-first < levelMax-1 && abs(pts[first-1].r-pts[j].r) <= flatR {
		first--
	}
	end = min(end, first+fitPointsMax)
	calm := l.refCalm(pts[max(first-1, 0):min(end+1, len(pts))])
	meanRef := 0.0
	if calm {
		for i := first; i < end; i++ {
			meanRef += pts[i].ref / float64(end-first)
		}
	}
	code := l.voltsPerCode * l.voltsPerCode / 12
	for i := first; i < end; i++ {
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
	a, b := &pts[max(j-1, 0)], &pts[min(j+2, len(pts)-1)]
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
	return max(0, kink-refNoises*l.noiseV)
}

// refCalm reports whether the reference stands still along samples: then their
// mean is better than each.
func (l *lead) refCalm(pts []point) bool {
	return l.refKinks(pts) == 0 && abs(pts[len(pts)-1].ref-pts[0].ref) <= refNoises*l.noiseV
}

// refNoises is by how many standard deviations of the noise a kink, or a
// difference, must exceed it to be more than noise.
const refNoises = 5

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
	f = l.fitFrom(pts, j, end, state, v0, v1)
	if !f.step.holds() && end > i+2 {
		// The next edge may have begun in the last of them.
		f = l.fitFrom(pts, j, end-1, state, v0, v1)
	}
	if !f.step.holds() {
		return f, false
	}
	alone := math.Hypot(f.step.u, f.spread)
	f.at, f.alone = f.zero+adc.Instant(f.step.t0), time.Duration(alone)
	f.u = time.Duration(math.Hypot(math.Hypot(alone, f.hidden), float64(pts[i].uNS)))
	return f, true
}

// fitFrom fits the curve to the samples around number j, the last on the level
// before, up to but not including end.
func (l *lead) fitFrom(pts []point, j, end int, state State, v0, v1 float64) fitted {
	q, zero := l.newProblem(pts, j, end)
	q.tail = l.tailAt(zero)
	if part := l.levels[state]; end-j < 4 && (part != 0 || state == Dead) {
		q.k1, q.uK1 = part, levelSettles // too short a state to show its own level
	}
	x := &pts[j+1]
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
		out.step = solve(tau, math.Hypot(l.tau.driven.u, uniform(weak)/tau))
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
	normal[0][0] += 1 / square(uniform(2*reach))
	var zero [4]float64
	_, inv, ok := solve4(&normal, &zero)
	if !ok {
		return uniform(2 * reach)
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
