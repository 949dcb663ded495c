package measure

import (
	"slices"
	"time"

	"keyturn/adc"
)

// This file keeps the waveform of a start in a fixed room: as stretches with the mean of
// each, placed where they lose least. Means keep the area under the curve, and so what a
// slow meter makes of it; the least sample stays as it is.

// Wave is what a lead read through a start, as stretches that follow one another.
type Wave struct {
	Crank string // ID of the start
	Begin adc.Instant
	// Ends are those of the stretches, V their means in volts. Between two samples the
	// voltage is taken for a straight line.
	Ends []adc.Instant
	V    []float64
	// Apart is the longest time between two samples' windows: a dip may lie in it.
	Apart time.Duration

	minV float64 // of its start
}

const (
	// waveMost bounds the stretches of a wave: what a slow meter makes of them differs by
	// less than 0.03 V from what it makes of the samples (wave_test.go).
	waveMost = 64
	// waveBefore and waveAfter are how far a wave reaches beyond its start where so much
	// was kept.
	waveBefore, waveAfter = 500 * time.Millisecond, time.Second
	// waveGain is what one more stretch must be worth: 10 mV over 10 ms, in V²·ns.
	waveGain = 1e-4 * 10e6
)

// keepWave keeps the wave of a lead's deepest start, which is the one that its lowest
// voltage is told of.
func (c *cycleTracker) keepWave(k *Crank, pts []point, start span) {
	if old := c.waves[k.Lead]; k.NotMeasured != "" || old != nil && old.minV <= k.MinV {
		return
	}
	if w, ok := newWave(pts, start); ok {
		w.Crank, w.minV = k.ID, k.MinV
		c.waves[k.Lead] = &w
	}
}

// atLast puts in what only the final revision bears.
func (c *cycleTracker) atLast(r *LeadResult, final bool) {
	if final {
		r.Levels, r.Wave = slices.Clone(c.levels[r.Lead]), c.waves[r.Lead]
	}
}

// newWave makes the wave of a start from the samples around it; false where there are none
// in it. What lay lower before or after, while the lead was off, is none of the start.
func newWave(pts []point, start span) (Wave, bool) {
	least := -1
	for i := range pts {
		if pts[i].to >= start.from && pts[i].from <= start.to.Add(sagPast) && (least < 0 || pts[i].v < pts[least].v) {
			least = i
		}
	}
	if least < 0 {
		return Wave{}, false
	}
	first, last := least, least
	for first > 0 && pts[first-1].from >= start.from.Add(-waveBefore) && pts[first-1].v >= pts[least].v {
		first--
	}
	for last+1 < len(pts) && pts[last+1].to <= start.to.Add(waveAfter) && pts[last+1].v >= pts[least].v {
		last++
	}
	pts, least = pts[first:last+1], least-first
	w := Wave{Begin: pts[0].from}
	for i := 1; i < len(pts); i++ {
		w.Apart = max(w.Apart, pts[i].from.Sub(pts[i-1].to))
	}
	c := newCells(pts, pts[least].v)
	for _, s := range c.parts(least) {
		w.Ends = append(w.Ends, c.edges[s.to])
		w.V = append(w.V, c.mean(s.from, s.to))
	}
	return w, true
}

// cells are the samples, each with the time that is nearer to it than to its neighbours, and
// the running sums over them. Volts are counted from the least, so that the squares keep
// their digits.
type cells struct {
	edges  []adc.Instant // one more than there are samples
	leastV float64
	t, tv  []float64 // sums of time and of time·volts, in ns
	// The same with weights, and of time·volts².
	w, wv, wv2 []float64
}

// weightV is how far above the least sample a voltage counts half: a meter that shows the
// lowest has to do with what lies low.
const weightV = 0.5

func newCells(pts []point, leastV float64) *cells {
	n := len(pts)
	c := &cells{edges: make([]adc.Instant, n+1), leastV: leastV}
	for _, sums := range []*[]float64{&c.t, &c.tv, &c.w, &c.wv, &c.wv2} {
		*sums = make([]float64, n+1)
	}
	c.edges[0], c.edges[n] = pts[0].from, pts[n-1].to
	for i := 1; i < n; i++ {
		a, b := pts[i-1].mid(), pts[i].mid()
		c.edges[i] = a + (b-a)/2
	}
	for i := range pts {
		t, v := float64(c.edges[i+1]-c.edges[i]), pts[i].v-leastV
		w := t / (1 + square(v/weightV))
		c.t[i+1], c.tv[i+1] = c.t[i]+t, c.tv[i]+t*v
		c.w[i+1], c.wv[i+1], c.wv2[i+1] = c.w[i]+w, c.wv[i]+w*v, c.wv2[i]+w*v*v
	}
	return c
}

func (c *cells) mean(from, to int) float64 {
	return c.leastV + (c.tv[to]-c.tv[from])/(c.t[to]-c.t[from])
}

// loss is what one value for some cells leaves out of them.
func (c *cells) loss(from, to int) float64 {
	s := c.wv[to] - c.wv[from]
	return c.wv2[to] - c.wv2[from] - s*s/(c.w[to]-c.w[from])
}

// part is some cells in a row, and where it is best cut.
type part struct {
	from, to, cut int
	gain          float64
}

func (c *cells) part(from, to int) part {
	p := part{from: from, to: to}
	whole := c.loss(from, to)
	for i := from + 1; i < to; i++ {
		if g := whole - c.loss(from, i) - c.loss(i, to); g > p.gain {
			p.cut, p.gain = i, g
		}
	}
	return p
}

// parts cuts the cells where it gains most, again and again. The least cell is a part of
// its own.
func (c *cells) parts(least int) []part {
	n := len(c.edges) - 1
	out := make([]part, 0, waveMost)
	for _, r := range [...][2]int{{0, least}, {least, least + 1}, {least + 1, n}} {
		if r[0] < r[1] {
			out = append(out, c.part(r[0], r[1]))
		}
	}
	for len(out) < waveMost {
		best := 0
		for i := range out {
			if out[i].gain > out[best].gain {
				best = i
			}
		}
		p := out[best]
		if p.gain < waveGain {
			break
		}
		out = append(out, part{})
		copy(out[best+2:], out[best+1:])
		out[best], out[best+1] = c.part(p.from, p.cut), c.part(p.cut, p.to)
	}
	return out
}
