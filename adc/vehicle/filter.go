package vehicle

import (
	"math"

	"keyturn/adc"
)

// segment is a stretch in which a wire's voltage is a straight line in time, or
// nothing drives it.
type segment struct {
	from, to adc.Instant
	v0, v1   float64 // wire volts at from and to, while driven
	floating bool
}

// filter is a lead's divider and capacitor. All voltages are referred to the
// lead: the pin has them over the ratio.
type filter struct {
	ratio         float64 // lead volts per pin volt
	tau, floating float64 // time constants in nanoseconds: driven, and released
}

// Parts of a lead as drawn: 33 kΩ over 2.7 kΩ, 560 nF across the lower one. With
// the source's impedance low the time constant is that of both resistors in
// parallel; a released wire carries no current, so only the lower one discharges.
const (
	upperOhm = 33e3
	lowerOhm = 2.7e3
	farad    = 560e-9
)

// newFilter returns a filter of given parts.
func newFilter(upper, lower, capacitor float64) filter {
	return filter{
		ratio:    (upper + lower) / lower,
		tau:      upper * lower / (upper + lower) * capacitor * 1e9,
		floating: lower * capacitor * 1e9,
	}
}

// after returns the filter's voltage at t within or at the end of a segment, if
// it was y at s.
func (f *filter) after(g *segment, s, t adc.Instant, y float64) float64 {
	h := float64(t - s)
	if g.floating {
		return y * math.Exp(-h/f.floating)
	}
	a, b := g.line(s)
	return a + b*h - b*f.tau + (y-a+b*f.tau)*math.Exp(-h/f.tau)
}

// area returns the integral of the filter's voltage from s to t within a
// segment, in volt nanoseconds.
func (f *filter) area(g *segment, s, t adc.Instant, y float64) float64 {
	h := float64(t - s)
	if g.floating {
		return y * f.floating * -math.Expm1(-h/f.floating)
	}
	a, b := g.line(s)
	return a*h + b*h*h/2 - b*f.tau*h - (y-a+b*f.tau)*f.tau*math.Expm1(-h/f.tau)
}

// line returns the wire's voltage at s and its slope in volts a nanosecond.
func (g *segment) line(s adc.Instant) (a, b float64) {
	if g.to > g.from {
		b = (g.v1 - g.v0) / float64(g.to-g.from)
	}
	return g.v0 + b*float64(s-g.from), b
}

// Wave is the voltage at one lead's pin. It implements the simulated chips' wave
// and must be asked in the order of time.
type Wave struct {
	f    filter
	segs []segment
	i    int
	t    adc.Instant // the filter's voltage is known here
	y    float64
	more func(until adc.Instant) // appends segments up to an instant; nil if there are none
}

// Mean returns the mean pin voltage over a window.
func (w *Wave) Mean(from, to adc.Instant) float64 {
	if w.more != nil && (len(w.segs) == 0 || w.segs[len(w.segs)-1].to < to) {
		w.more(to)
	}
	w.moveTo(from)
	sum, i, t, y := 0.0, w.i, w.t, w.y
	for t < to {
		g := &w.segs[i]
		end := min(to, g.to)
		sum += w.f.area(g, t, end, y)
		y = w.f.after(g, t, end, y)
		t = end
		i++
	}
	return sum / float64(to-from) / w.f.ratio
}

// moveTo advances the filter to an instant. The segments reach beyond it.
func (w *Wave) moveTo(to adc.Instant) {
	for w.t < to {
		g := &w.segs[w.i]
		end := min(to, g.to)
		w.y = w.f.after(g, w.t, end, w.y)
		if w.t = end; end == g.to {
			w.i++
		}
	}
}

// forget drops the segments that are over.
func (w *Wave) forget() {
	w.segs = append(w.segs[:0], w.segs[w.i:]...)
	w.i = 0
}

// Point is a corner of a polyline.
type Point struct {
	At adc.Instant
	V  float64
}

// NewPolyline returns the pin voltage of a lead as drawn whose wire follows a
// polyline; before its first and after its last corner it stands. The driven
// time constant is scaled to tau in nanoseconds. It begins settled.
func NewPolyline(points []Point, tau float64) *Wave {
	f := newFilter(upperOhm, lowerOhm, farad)
	f.floating *= tau / f.tau
	f.tau = tau
	w := &Wave{f: f, y: points[0].V, t: min(0, points[0].At)}
	w.segs = append(w.segs, segment{from: w.t, to: points[0].At, v0: points[0].V, v1: points[0].V})
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		w.segs = append(w.segs, segment{from: a.At, to: b.At, v0: a.V, v1: b.V})
	}
	last := points[len(points)-1]
	w.segs = append(w.segs, segment{from: last.At, to: 1 << 62, v0: last.V, v1: last.V})
	return w
}

// Ratio returns the lead's divider: lead volts per pin volt.
func (w *Wave) Ratio() float64 { return w.f.ratio }
