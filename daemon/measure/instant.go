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
//
// The bracket is kept apart from the estimate. It begins in the window of the
// last sample that still stands at the old level: half a window before its end,
// for a step earlier than that would have moved the sample by more than a
// tenth. It ends with the window of the first sample that has moved, or later
// where the curve of the samples after it says so.

const (
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
)

// resolveEdges works out the instants of a lead's open edges: those whose later
// samples are in, or all of them.
func (e *Engine) resolveEdges(l *lead, all bool) {
	for len(l.edges) > 0 {
		g := l.edges[0]
		if !all && l.h.judged < g.first+resolveAfter {
			return
		}
		start := uint64(0)
		if g.first > 16 {
			start = g.first - 16
		}
		pts := l.h.copyTo(make([]point, 0, 32), start, g.first+resolveAfter+3)
		i := 0
		if start = max(start, l.h.first()); g.first > start {
			i = int(g.first - start)
		}
		if i < len(pts) {
			t := l.dateEdge(pts, i, g.state)
			e.file(l, t, pts[min(i+1, len(pts)-1)].to)
		}
		l.edges = l.edges[:copy(l.edges, l.edges[1:])]
	}
}

// dateEdge dates the edge to a state among judged samples of which number i is
// the first on the new side.
func (l *lead) dateEdge(pts []point, i int, state State) Transition {
	j := l.lastFlat(pts, i, state)
	v0 := levelBefore(pts, j)
	v1 := levelAfter(pts, i)
	moved := refMoves(pts[max(j-1, 0):min(i+2, len(pts))])
	if state == Dead && moved <= refUneasy && l.decline.falling && l.decline.beganR-v0 > 0.03 && l.decline.began < pts[j].from {
		l.seen |= SeenRunDown
		t := between(l.index, state, l.decline.began, pts[i].to, SeenRunDown)
		return t
	}
	c := l.readCurve(pts, j+1, v0, v1, state)
	nb := pts[j].from + (pts[j].to-pts[j].from)/2
	na := pts[min(j+1, len(pts)-1)].to
	switch {
	case moved > refRough:
		nb, na = pts[max(j-1, 0)].from, pts[min(i+1, len(pts)-1)].to
	case moved > refUneasy:
		nb, na = pts[j].from, max(na, pts[i].to)
	}
	if c.latest > na {
		na = c.latest
	}
	nb, na = nb.Add(-pts[j].stampErr), na.Add(pts[i].stampErr)
	t := between(l.index, state, nb, na, 0)
	if c.holds && moved <= refUneasy {
		t.At, t.U, t.Timing = clamp(c.at, nb, na), c.u, TimingCurve
	}
	return t
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

// curve is what the samples after an edge say of its instant.
type curve struct {
	at     adc.Instant
	u      time.Duration
	holds  bool
	latest adc.Instant // no sample allows a later instant
}

// readCurve dates the step by each sample from k on that lies on the curve.
func (l *lead) readCurve(pts []point, k int, v0, v1 float64, state State) curve {
	var c curve
	step := v0 - v1
	if abs(step) < 0.1 {
		return c
	}
	taus := []time.Duration{l.tau}
	if state == Dead {
		taus = append(taus, l.tauFloating)
	}
	var dates []date
	for s := k; s < len(pts) && s < k+6; s++ {
		dev := (pts[s].r - v1) / step
		if dev > devMost {
			continue
		}
		var both [2]date
		for i, tau := range taus {
			both[i] = dateSample(&pts[s], max(dev, devLeast), abs(step), float64(tau), l)
			c.latest = max(c.latest, both[i].at.Add(3*both[i].u))
		}
		if dev >= devLeast {
			dates = append(dates, average(both[0], both[len(taus)-1]))
		}
		if s > k && pts[s].from.Sub(pts[k].to) >= l.bounceMax-bounceSlack {
			break // whatever the contact did, this sample came after it
		}
	}
	switch len(dates) {
	case 1:
		c.at, c.u, c.holds = dates[0].at, dates[0].u, true
	case 2:
		a, b := dates[0], dates[1]
		gap := abs(float64(a.at - b.at))
		if allowed := 3 * math.Hypot(float64(a.u), float64(b.u)); gap <= allowed {
			wa, wb := 1/square(float64(a.u)), 1/square(float64(b.u))
			c.at = a.at + adc.Instant(float64(b.at-a.at)*wb/(wa+wb))
			c.u, c.holds = time.Duration(1/math.Sqrt(wa+wb)), true
		} else {
			// The first sample lay in a bounce; the second is past it.
			c.at, c.u, c.holds = b.at, b.u, true
		}
	}
	return c
}

// date is a step's instant as one sample gives it, with its standard uncertainty.
type date struct {
	at adc.Instant
	u  time.Duration
}

// average is the date where either of two may hold: a released lead floats with
// another time constant than a driven one, and nothing tells which it is.
func average(a, b date) date {
	d := b.at.Sub(a.at)
	return date{a.at.Add(d / 2), time.Duration(math.Hypot(float64(max(a.u, b.u)), float64(uniform(d))))}
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
	uTau := l.uTau * (math.Max(0, -x) + w/2)
	u := math.Sqrt(square(uR/slope) + uTau*uTau + square(float64(p.stampErr))/3)
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
func uniform(width time.Duration) time.Duration {
	return time.Duration(float64(width) / math.Sqrt(12))
}

func clamp(t, lo, hi adc.Instant) adc.Instant { return min(max(t, lo), hi) }
func square(x float64) float64                { return x * x }
func abs(x float64) float64                   { return math.Abs(x) }
