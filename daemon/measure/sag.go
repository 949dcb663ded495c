package measure

import (
	"math"
	"time"

	"keyturn/adc"
)

// This file makes the figures of one lead's fall during one start out of its
// samples: level before, minimum, plateau, time and area under each limit,
// recovery, and how much of a short dip the samples can have missed.

// span is a stretch of time.
type span struct{ from, to adc.Instant }

// dipHold is the time a first dip stays at its bottom: ISO 16750-2 4.6.3, t6 of
// the starting profiles. hiddenDip rests on it.
const dipHold = 15 * time.Millisecond

// sagPast is how long after a start its lowest sample may come: the filter lags.
const sagPast = 50 * time.Millisecond

// measureSag makes the figures of a start from the samples around it.
func (l *lead) measureSag(pts []point, start span, limits []float64) Crank {
	k := Crank{Lead: l.index, Ends: start.to, Recovered: -1}
	before, first := levelAtRest(pts, start.from)
	k.BeforeV = before
	last := first
	minI := first
	for i := first; i < len(pts); i++ {
		if pts[i].from <= start.to.Add(sagPast) {
			last = i
			if pts[i].v < pts[minI].v {
				minI = i
			}
		}
	}
	// The least sample may lie just past the dip, the one before it deeper in.
	k.MinV = pts[minI].v - l.stillFalling(pts, minI)
	if minI > first {
		k.MinV = min(k.MinV, pts[minI-1].v-l.stillFalling(pts, minI-1))
	}
	k.MinAt = pts[minI].mid().Add(-time.Duration(l.tau.driven.value))
	k.BeginsNotBefore, k.BeginsNotAfter = fallBracket(pts, start.from, before, k.MinV)
	k.HiddenDipV, k.AtOrBelow = l.hiddenDip(pts, minI, before)
	k.MinUV = l.uncertainty(k.MinV, k.HiddenDipV)
	k.PlateauV = k.MinV
	turning := span{pts[first].to.Add(inrushFor), start.to}
	if v, ok := plateauV(pts, turning.from, turning.to); ok {
		k.PlateauV = v
	}
	k.LevelUV = l.uncertainty(before, 0)
	for _, v := range limits {
		// Noise moves each crossing by itself, so it counts in full, and twice.
		u := l.uncertainty(v, 0) + 2*l.noiseV
		k.Below = append(k.Below, timeBelow(pts[max(first-1, 0):min(last+40, len(pts))], v, u, l.tau.driven.value))
	}
	for i := first; i < len(pts); i++ {
		if pts[i].from > start.to && pts[i].v >= recoveredPart*before {
			k.Recovered = max(0, pts[i].mid().Sub(start.to))
			break
		}
	}
	return k
}

// levelAtRest is the mean of the samples in the 150 ms before the fall, and the
// number of the first sample in it.
func levelAtRest(pts []point, onset adc.Instant) (float64, int) {
	sum, n, first := 0.0, 0.0, len(pts)-1
	for i := range pts {
		m := pts[i].mid()
		if m > onset {
			first = i
			break
		}
		if onset.Sub(m) <= baselineTau || i+1 == len(pts) || pts[i+1].mid() > onset {
			sum, n = sum+pts[i].v, n+1
		}
	}
	if n == 0 {
		return pts[0].v, first
	}
	return sum / n, first
}

// fallBracket bounds the beginning of a fall from a level towards a minimum: not
// before the last sample at the level, not after the first that has fallen six
// tenths of the way.
func fallBracket(pts []point, onset adc.Instant, before, lowest float64) (notBefore, notAfter adc.Instant) {
	notBefore, notAfter = pts[0].from, pts[len(pts)-1].to
	moved := before - max(0.02*(before-lowest), 0.05)
	for i := range pts {
		if pts[i].mid() <= onset || pts[i].v >= moved {
			if pts[i].v >= moved {
				notBefore = pts[i].from
			}
			continue
		}
		if pts[i].v <= before-0.6*(before-lowest) {
			return notBefore, pts[i].to
		}
	}
	return notBefore, notAfter
}

// hiddenDip bounds how far below the least sample the wire can have been: a dip
// that stays dipHold at its bottom is approached by the filter from the level
// before with its time constant, and the worst placed sample ends one interval
// before the dip does. With samples further apart than dipHold there is no bound.
func (l *lead) hiddenDip(pts []point, minI int, before float64) (v float64, none bool) {
	var interval time.Duration
	for i := max(minI-1, 1); i <= minI+1 && i < len(pts); i++ {
		interval = max(interval, pts[i].to.Sub(pts[i-1].to))
	}
	fall := before - pts[minI].v
	left := dipHold - interval - pts[minI].to.Sub(pts[minI].from)
	if left <= 0 {
		return fall, true
	}
	return fall * math.Exp(-float64(left)/l.tau.driven.value), false
}

// stillFalling is how much further the filter would have fallen towards a held
// dip after the least sample: what is left of the exponential that leads from
// the sample before it.
func (l *lead) stillFalling(pts []point, i int) float64 {
	if i == 0 {
		return 0
	}
	rho := math.Exp(-float64(pts[i].mid()-pts[i-1].mid()) / l.tau.driven.value)
	return max(0, (pts[i-1].v-pts[i].v)*rho/(1-rho))
}

// uncertainty is the standard uncertainty of a voltage near v: noise, one code
// (width/√12, JCGM 100:2008 F.2.2.1), gain, offset, and a dip missed.
func (l *lead) uncertainty(v, hidden float64) float64 {
	return math.Sqrt(square(l.noiseV) + square(l.voltsPerCode)/12 +
		square(l.cal.UGain*v) + square(l.cal.UOffsetV) + square(hidden)/3)
}

// timeBelow adds up the time and the area under a limit along the line through
// the samples' middles, or the filter's own curve where that is steep. Both ends of a stretch are late by the filter's delay,
// which so cancels. The bounds allow for the voltage's uncertainty and for what
// a crossing between two samples leaves open.
func timeBelow(pts []point, limit, u, tau float64) Below {
	b := Below{LimitV: limit}
	var open time.Duration
	b.Time, b.VoltSeconds, open = under(pts, limit, tau)
	tMin, _, _ := under(pts, limit-u, tau)
	tMax, _, openMax := under(pts, limit+u, tau)
	b.TimeMin = max(0, min(tMin, b.Time)-open)
	b.TimeMax = max(tMax, b.Time) + openMax
	return b
}

// steepV is the change from sample to sample from which on a line through them
// says little of when a level was crossed.
const steepV = 1.0

// under returns the time and area (volt seconds) under a limit, and how much of
// the time rests on where between two samples the limit was crossed.
func under(pts []point, limit, tau float64) (t time.Duration, area float64, open time.Duration) {
	for i := 1; i < len(pts); i++ {
		a, b := limit-pts[i-1].v, limit-pts[i].v // above zero: under the limit
		dt := float64(pts[i].mid() - pts[i-1].mid())
		switch {
		case a > 0 && b > 0:
			t += time.Duration(dt)
			area += dt * 1e-9 * (a + b) / 2
		case a > 0 || b > 0:
			in := max(a, b) / (max(a, b) - min(a, b))
			// A crossing on a steep line is open by half of the interval,
			// on a line that moves little it is as good as the line.
			open += time.Duration(dt / 2 * min(1, abs(a-b)/2))
			if abs(a-b) > steepV && i+1 < len(pts) {
				if at, ok := crossing(pts[i-1].v, pts[i].v, pts[i+1].v, limit, dt, tau); ok {
					in = at / dt
					if b > 0 {
						in = 1 - in
					}
				}
			}
			t += time.Duration(dt * in)
			area += dt * 1e-9 * in * max(a, b) / 2
		}
	}
	return t, area, open
}

// crossing returns when, after the first of three samples dt apart, the filter
// crossed a level on its way from the first to what the third stands for: the
// wire's move began at the first sample at the earliest and, for what the second
// has left to go, some time before it at the latest; the middle of the two.
func crossing(first, second, third, level, dt, tau float64) (at float64, ok bool) {
	target := third
	if (second-third)*(first-second) < 0 {
		target = second // it turns back: the second is its furthest
	}
	left, way := (second-target)/(first-target), (level-target)/(first-target)
	if way <= 0.02 || way >= 1 || left < 0 || left >= 1 {
		return 0, false
	}
	latest := max(0, dt+tau*math.Log(max(left, devLeast)))
	return min(dt, latest/2-tau*math.Log(way)), true
}
