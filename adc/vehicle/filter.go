package vehicle

import (
	"math"

	"keyturn/adc"
)

// segment is a stretch in which what drives a wire is a straight line in time.
type segment struct {
	from, to adc.Instant
	v0, v1   float64 // open-circuit volts at from and to
	// weak is what the lead's own load takes away of them: 0 is a stiff source, 1
	// a wire that nothing drives.
	weak float64
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
	a, b := g.loaded(s)
	tau := f.of(g.weak)
	return a + b*h - b*tau + (y-a+b*tau)*math.Exp(-h/tau)
}

// area returns the integral of the filter's voltage from s to t within a
// segment, in volt nanoseconds.
func (f *filter) area(g *segment, s, t adc.Instant, y float64) float64 {
	h := float64(t - s)
	a, b := g.loaded(s)
	tau := f.of(g.weak)
	return a*h + b*h*h/2 - b*tau*h - (y-a+b*tau)*tau*math.Expm1(-h/tau)
}

// of is the time constant behind a source that loses a part of its voltage to
// the lead's load: (Rs+R1)·R2/(Rs+R1+R2)·C with Rs = (R1+R2)·weak/(1-weak), which
// is a straight line between the driven and the floating one.
func (f *filter) of(weak float64) float64 { return f.tau + weak*(f.floating-f.tau) }

// line returns the open-circuit voltage at s and its slope in volts a nanosecond.
func (g *segment) line(s adc.Instant) (a, b float64) {
	if g.to > g.from {
		b = (g.v1 - g.v0) / float64(g.to-g.from)
	}
	return g.v0 + b*float64(s-g.from), b
}

// loaded is the line under the lead's own load.
func (g *segment) loaded(s adc.Instant) (a, b float64) {
	a, b = g.line(s)
	return a * (1 - g.weak), b * (1 - g.weak)
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
	var pieces []Piece
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		pieces = append(pieces, Piece{From: a.At, V0: a.V, V1: b.V})
	}
	last := points[len(points)-1]
	return NewPieces(append(pieces, Piece{From: last.At, V0: last.V, V1: last.V}), Parts{Capacitor: tau / newFilter(upperOhm, lowerOhm, farad).tau})
}

// Piece is a stretch of what drives a wire, up to the next one: from V0 to V1
// open-circuit volts along a straight line, less the part Weak that the lead's
// own load takes away (0: stiff, 1: nothing drives the wire).
type Piece struct {
	From   adc.Instant
	V0, V1 float64
	Weak   float64
}

// Parts are a lead's parts as factors of those drawn; zero means 1.
type Parts struct{ Upper, Lower, Capacitor float64 }

// NewPieces returns the pin voltage of a lead whose wire is driven piece by
// piece. Before the first it stands at V0; the last one lasts for ever at its
// V0. It begins settled.
func NewPieces(pieces []Piece, parts Parts) *Wave {
	or1 := func(x float64) float64 {
		if x == 0 {
			return 1
		}
		return x
	}
	p := pieces[0]
	w := &Wave{f: newFilter(upperOhm*or1(parts.Upper), lowerOhm*or1(parts.Lower), farad*or1(parts.Capacitor)),
		y: p.V0 * (1 - p.Weak), t: min(0, p.From)}
	w.segs = append(w.segs, segment{from: w.t, to: p.From, v0: p.V0, v1: p.V0, weak: p.Weak})
	for i, p := range pieces {
		g := segment{from: p.From, to: 1 << 62, v0: p.V0, v1: p.V0, weak: p.Weak}
		if i+1 < len(pieces) {
			g.to, g.v1 = pieces[i+1].From, p.V1
		}
		w.segs = append(w.segs, g)
	}
	return w
}

// Tau returns the lead's driven and floating time constants in nanoseconds.
func (w *Wave) Tau() (driven, floating float64) { return w.f.tau, w.f.floating }

// Ratio returns the lead's divider: lead volts per pin volt.
func (w *Wave) Ratio() float64 { return w.f.ratio }
