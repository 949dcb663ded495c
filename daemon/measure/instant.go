package measure

import (
	"fmt"
	"math"
	"time"

	"keyturn/adc"
)

// This file finds the instant of an edge. The lead's filter answers a step of
// the wire at t0 with an exponential, and each sample is the mean of that over
// its window, so a single sample on the curve gives t0 back:
//
//	V0 ───────┐  ·                    · samples, each over its window
//	          t0    ·                 the share of the step still to come is
//	                    ·             dev = (r-V1)/(V0-V1) = exp(-(t-t0)/τ)
//	V1 ─ ─ ─ ─ ─ ─ ─ ─ ─ ─ · ─ · ─
//
// A contact that bounces leaves, after its last touch, exactly the curve of one
// step: the equivalent step, between first and last touch. Samples taken in the
// bounce do not fit it, later ones do. A ramp or a slow switch fits at no time.
// fit.go does the fitting.
//
// The bracket is kept apart from the estimate. It begins in the window of the
// last sample that still stands at the old level: half a window before its end,
// for a step earlier than that would have moved the sample by more than a
// tenth. It ends with the window of the first sample that has moved, or later
// where the curve of the samples after it says so.

const (
	lookBack = 16    // samples before an edge that show where it began, mostly
	flatR    = 0.025 // change of r between samples of one level
	oldR     = 0.1   // how far from the furthest sample the old level may be
	devLeast = 0.004 // least share of the step that dates it
	devMost  = 0.985 // above this a sample has hardly begun to move
	// bounceSlack keeps an interval that is as good as the longest bounce from
	// counting as shorter.
	bounceSlack = 200 * time.Microsecond
	levelMax    = 4 // samples that make a level
	// The reference moving by more than refUneasy around an edge lets no curve be
	// trusted; by more than refRough, no level either.
	refUneasy, refRough = 1.06, 1.2
	systemR             = 0.0006 // what r may be off besides noise: load steps, reference
	slowSamples         = 2      // samples between two levels that no contact explains
	slowMoved           = 0.005  // change of r that shows a slow edge begun
	fitStepLeast        = 0.1    // least step of r whose instant is looked for on the curve
)

// resolveEdges works out the instants of a lead's open edges: those whose later
// samples are in, or all of them.
func (e *Engine) resolveEdges(l *lead, all bool) {
	for len(l.edges) > 0 {
		g := l.edges[0]
		if !all && l.h.judged < g.first+resolveAfter {
			return
		}
		pts, i := l.around(g.first, lookBack)
		if len(pts) > 0 && l.lastFlat(pts, i, g.state) == 0 {
			pts, i = l.around(g.first, historyLen) // a slow edge began earlier
		}
		if i < len(pts) {
			t := e.dateEdge(l, pts, i, g.state)
			e.file(l, t, pts[min(i+1, len(pts)-1)].to)
		}
		l.edges = l.edges[:copy(l.edges, l.edges[1:])]
	}
}

// around returns the judged samples around an edge whose first sample on the new
// side is number first, back to as many before it, and its place among them.
func (l *lead) around(first uint64, back int) (pts []point, i int) {
	start := l.h.first()
	if b := uint64(back); first > start+b {
		start = first - b
	}
	pts = l.h.copyTo(make([]point, 0, 32), start, first+resolveAfter+3)
	if first > start {
		i = int(first - start)
	}
	return pts, i
}

// dateEdge dates the edge to a state among judged samples of which number i is
// the first on the new side.
func (e *Engine) dateEdge(l *lead, pts []point, i int, state State) Transition {
	j := l.lastFlat(pts, i, state)
	v0 := levelBefore(pts, j)
	v1 := levelAfter(pts, i)
	moved := refMoves(pts[max(j-1, 0):min(i+2, len(pts))])
	if state == Dead && moved <= refUneasy && l.decline.falling && l.decline.beganR-v0 > 0.03 && l.decline.began < pts[j].from {
		l.seen |= SeenRunDown
		t := between(l.index, state, l.decline.began, pts[i].to, SeenRunDown)
		return t
	}
	latest := l.latest(pts, j+1, v0, v1, state)
	from := pts[j].mid()
	if j > 0 && abs(pts[j].r-pts[j-1].r) > flatR {
		from = pts[j].from // the level before is still settling: it may hide the beginning
	}
	near := bracket{from, max(pts[min(j+1, len(pts)-1)].to, latest)}
	wide := near
	switch {
	case moved > refRough:
		wide = bracket{pts[max(j-1, 0)].from, max(pts[min(i+1, len(pts)-1)].to, latest)}
	case moved > refUneasy:
		wide = bracket{pts[j].from, max(near.notAfter, pts[i].to)}
	}
	before, after := pts[j].stampErr(), pts[i].stampErr()
	near, wide = near.widened(before, after), wide.widened(before, after)
	if abs(v0-v1) < fitStepLeast || j+1 >= len(pts) {
		return between(l.index, state, wide.notBefore, wide.notAfter, 0)
	}
	l.tau.age(pts[j].to)
	f, ok := l.fitEdge(pts, j, i, state, v0, v1)
	if !ok {
		e.suspect(l, state, &f)
	}
	if !ok || moved > refRough {
		// A ramp that is still going on goes to the rail.
		if state == Dead {
			v1 = min(v1, 0)
		} else {
			v1 = max(v1, 1)
		}
		wide = wide.forSlow(pts, j, i, (v0+v1)/2)
		return between(l.index, state, wide.notBefore, wide.notAfter, 0)
	}
	// A reference that moves makes the plain bracket doubtful, but no more than
	// the fit is.
	near.notBefore = min(near.notBefore, max(wide.notBefore, f.at.Add(-3*f.alone)))
	near.notAfter = max(near.notAfter, min(wide.notAfter, f.at.Add(3*f.alone)))
	t := between(l.index, state, near.notBefore, near.notAfter, 0)
	t.At, t.U, t.Timing = clamp(f.at, t.NotBefore, t.NotAfter), min(f.u, t.U), TimingCurve
	e.learn(l, state, &f)
	l.noteFit(state, &f)
	return t
}

// bracket is what an instant certainly lies in.
type bracket struct{ notBefore, notAfter adc.Instant }

func (b bracket) widened(before, after time.Duration) bracket {
	return bracket{b.notBefore.Add(-before), b.notAfter.Add(after)}
}

// forSlow widens a bracket to what a ramp needs whose samples up to number j
// are flat and which is decided by number i: the wire is half way before its
// filter is, and one that moves so slowly may have begun to before it shows.
func (b bracket) forSlow(pts []point, j, i int, half float64) bracket {
	if i-j <= slowSamples {
		return b // the samples' own dates reach far enough
	}
	k := j + 1
	for k < len(pts)-1 && (pts[k].r < half) == (pts[j].r < half) {
		k++
	}
	level, m := pts[max(j-3, 0)].r, j
	for m > 0 && abs(pts[m].r-level) > slowMoved {
		m--
	}
	return bracket{
		min(b.notBefore, pts[max(m-1, 0)].mid().Add(-pts[j].stampErr())),
		max(b.notAfter, pts[k].to.Add(pts[k].stampErr())),
	}
}

// lastFlat returns the number of the last sample before i that stands at the
// old level: clearly on the old side, and as its predecessor. In a state too
// short for two such samples it is the one furthest on the old side.
func (l *lead) lastFlat(pts []point, i int, state State) int {
	far := func(k int) float64 { // how far on the old side
		if state == Live {
			return -pts[k].r
		}
		return pts[k].r
	}
	clear := func(k int) bool { return state == Live || pts[k].r > l.liveAbove }
	best := max(i-1, 0)
	for j := i - 1; j >= 0; j-- {
		if far(j) > far(best) {
			best = j
		}
		if j == 0 || far(j) < far(i) || (j < i-1 && far(j) < far(best)-0.4) {
			break // the beginning, or an older edge
		}
		if clear(j) && abs(pts[j].r-pts[j-1].r) <= flatR && far(j) > far(best)-oldR {
			return j
		}
	}
	return best
}

// levelBefore is the mean of up to levelMax samples up to j that are of a level.
// Sample j itself may have begun to move by up to flatR: it counts only if it
// is alone.
func levelBefore(pts []point, j int) float64 {
	if j == 0 {
		return pts[0].r
	}
	sum, n := 0.0, 0.0
	for k := j - 1; k >= 0 && n < levelMax && abs(pts[k].r-pts[j-1].r) <= flatR; k-- {
		sum, n = sum+pts[k].r, n+1
	}
	return sum / n
}

// levelAfter is the level the wire settles to after an edge whose first sample
// on the new side is number i: the mean of the samples from the second after it
// on, as far as they agree. In a state too short for that it is the one between.
func levelAfter(pts []point, i int) float64 {
	last := len(pts) - 1
	if i+2 > last || abs(pts[i+2].r-pts[min(i+1, last)].r) > flatR {
		return pts[min(i+1, last)].r
	}
	sum, n := 0.0, 0.0
	for k := i + 2; k <= last && n < levelMax && abs(pts[k].r-pts[i+2].r) <= flatR; k++ {
		sum, n = sum+pts[k].r, n+1
	}
	return sum / n
}

// refMoves returns by which factor the reference moves around an edge.
func refMoves(pts []point) float64 {
	lo, hi := pts[0].ref, pts[0].ref
	for _, p := range pts {
		lo, hi = min(lo, p.ref), max(hi, p.ref)
	}
	return hi / lo
}

// latest returns the latest instant that the samples from k on allow: each dates
// the step by itself.
func (l *lead) latest(pts []point, k int, v0, v1 float64, state State) (at adc.Instant) {
	step := v0 - v1
	if abs(step) < fitStepLeast {
		return 0
	}
	for s := k; s < len(pts) && s < k+6; s++ {
		dev := (pts[s].r - v1) / step
		if dev > devMost {
			continue
		}
		for _, tau := range []*timeConstant{&l.tau.driven, &l.tau.floating} {
			d := dateSample(&pts[s], max(dev, devLeast), abs(step), tau.value, l)
			at = max(at, d.at.Add(3*d.u))
			if state == Live {
				break
			}
		}
		if s > k && pts[s].from.Sub(pts[k].to) >= l.bounceMax-bounceSlack {
			break // whatever the contact did, this sample came after it
		}
	}
	return at
}

// date is a step's instant as one sample gives it, with its standard uncertainty.
type date struct {
	at adc.Instant
	u  time.Duration
}

// dateSample solves one sample's window mean for the step: dev is the share of
// the step still to come, step its size in r, tau in nanoseconds.
func dateSample(p *point, dev, step, tau float64, l *lead) date {
	w := float64(p.to - p.from)
	g := tau / w * (1 - math.Exp(-w/tau)) // window mean of the curve if it began at from
	var x, slope float64                  // step instant from p.from; |d dev/dt|
	if dev <= g {
		x = tau * math.Log(dev/g)
		slope = dev / tau
	} else {
		x = stepInWindow(dev, w, tau)
		slope = (1 - math.Exp(-(w-x)/tau)) / w
	}
	noise := l.noiseV / p.ref
	uR := math.Sqrt(2*noise*noise+square(l.voltsPerCode/p.ref)/6+square(systemR)) / step
	uTau := l.tau.driven.u * (math.Max(0, -x) + w/2)
	u := math.Sqrt(square(uR/slope) + uTau*uTau + square(float64(p.errNS))/3)
	return date{p.from + adc.Instant(x), time.Duration(u)}
}

// stepInWindow finds where in a window of length w a step must lie for its mean
// to leave dev to come: (x + τ(1-exp(-(w-x)/τ)))/w = dev, by Newton's method.
func stepInWindow(dev, w, tau float64) float64 {
	x := w / 2
	for range 8 {
		ex := math.Exp(-(w - x) / tau)
		f := (x+tau*(1-ex))/w - dev
		slope := (1 - ex) / w
		if slope < 1e-12 {
			break
		}
		x = math.Min(math.Max(x-f/slope, 0), w*0.9999)
	}
	return x
}

// between is a transition of which no more is known than its bracket.
func between(lead int, s State, nb, na adc.Instant, seen Seen) Transition {
	width := na.Sub(nb)
	return Transition{
		Lead: lead, State: s, NotBefore: nb, NotAfter: na,
		At: nb.Add(width / 2), U: uniform(width), Timing: TimingLimits, Seen: seen,
	}
}

func transitionID(lead string, at adc.Instant) string {
	return fmt.Sprintf("%s-%d", lead, int64(at)/int64(time.Millisecond))
}

// uniform is the standard uncertainty of a value known to lie anywhere within a
// width: width/√12 (JCGM 100:2008, 4.3.7).
func uniform[T ~int64 | ~float64](width T) T { return T(math.Abs(float64(width)) / math.Sqrt(12)) }

func clamp(t, lo, hi adc.Instant) adc.Instant { return min(max(t, lo), hi) }
func square(x float64) float64                { return x * x }
func abs(x float64) float64                   { return math.Abs(x) }
