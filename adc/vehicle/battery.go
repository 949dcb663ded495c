package vehicle

import (
	"math"
	"math/rand/v2"
	"slices"
	"sort"

	"keyturn/adc"
)

// battery is its terminal voltage through one key cycle, as a polyline: fine
// where it moves, coarse where it rests.
type battery struct {
	points []Point
}

// at returns the voltage at an instant and the number of the corner after it.
func (b *battery) at(t adc.Instant) float64 {
	i := sort.Search(len(b.points), func(i int) bool { return b.points[i].At > t })
	switch i {
	case 0:
		return b.points[0].V
	case len(b.points):
		return b.points[len(b.points)-1].V
	}
	p, q := b.points[i-1], b.points[i]
	return p.V + (q.V-p.V)*float64(t-p.At)/float64(q.At-p.At)
}

// minimum returns the least voltage between two instants and when it was.
func (b *battery) minimum(from, to adc.Instant) Point {
	least := Point{from, b.at(from)}
	if v := b.at(to); v < least.V {
		least = Point{to, v}
	}
	for _, p := range b.points {
		if p.At > from && p.At < to && p.V < least.V {
			least = p
		}
	}
	return least
}

// start is one cranking of the engine.
type start struct {
	from, to adc.Instant
	catches  bool
	// The dip of the starter's inrush, the plateau, and the compression ripple.
	dipV, plateauV, rippleV, rippleHz float64
	fall, half                        float64 // seconds: fall of the dip, its half-width
}

// load is a heavy load that is no start: glow plugs, a heated screen.
type load struct {
	from, to      adc.Instant
	sagV, inrushV float64
}

// draw is everything the battery feels in a cycle.
type draw struct {
	begin, end adc.Instant
	restV      float64
	chargeV    float64
	keyOn, off adc.Instant // terminal 15 on and off; 0 if never
	starts     []start
	stops      []adc.Instant // the engine stops with the key on
	loads      []load
}

// Figures: resting 12.4 to 12.7 V (open-circuit table of a flooded battery);
// internal resistance 3 to 8 mΩ and inrush three to five times the plateau
// current (values from memory); plateau sag and cranking times as in open
// engine-computer recordings (1.1 to 2.5 s, 12.3..13.4 V down to 10.4..10.7 V);
// regulated charging 13.8 to 14.7 V.
func newDraw(rng *rand.Rand) draw {
	return draw{restV: 12.4 + 0.3*rng.Float64(), chargeV: 13.9 + 0.6*rng.Float64()}
}

func newStart(rng *rand.Rand, restV float64, from adc.Instant, seconds float64, catches bool) start {
	s := start{from: from, to: from + nano(seconds), catches: catches}
	s.plateauV = restV - 1.6 - 1.6*rng.Float64()
	s.dipV = s.plateauV - 0.6 - 2.2*rng.Float64()
	s.rippleV = 0.08 + 0.2*rng.Float64()
	s.rippleHz = 5 + 9*rng.Float64()
	s.fall = 0.003 + 0.005*rng.Float64()
	s.half = 0.02 + 0.1*rng.Float64()
	return s
}

func nano(seconds float64) adc.Instant { return adc.Instant(seconds * 1e9) }

// volts is the battery's voltage at an instant, from everything it feels.
func (d *draw) volts(t adc.Instant) float64 {
	v := d.restV
	since := func(from adc.Instant) float64 { return float64(t-from) * 1e-9 }
	if d.keyOn != 0 && t > d.keyOn && (d.off == 0 || t < d.off) {
		v -= 0.15 * -math.Expm1(-since(d.keyOn)/0.02)
	}
	charging := d.charging(t)
	v += (d.chargeV - d.restV + 0.15) * charging
	for i := range d.starts {
		if s := &d.starts[i]; t >= s.from {
			v -= s.sag(since(s.from), since(s.to), d.restV)
		}
	}
	for i := range d.loads {
		l := &d.loads[i]
		if t >= l.from {
			x := since(l.from)
			sag := (l.sagV + l.inrushV*math.Exp(-x/0.05)) * -math.Expm1(-x/0.003)
			if t >= l.to {
				sag *= math.Exp(-since(l.to) / 0.01)
			}
			v -= sag
		}
	}
	return v
}

// charging is how far the alternator carries the net: 0 to 1.
func (d *draw) charging(t adc.Instant) float64 {
	c := 0.0
	for i := range d.starts {
		s := &d.starts[i]
		if !s.catches || t < s.to {
			continue
		}
		c = -math.Expm1(-math.Max(0, float64(t-s.to)*1e-9-0.15) / 0.25)
		end := d.off
		for _, stop := range d.stops {
			if stop > s.to {
				end = stop
				break
			}
		}
		if end != 0 && t > end {
			c *= math.Exp(-float64(t-end) * 1e-9 / 0.3)
		}
	}
	return c
}

// dipHold is how long the first dip stays at its bottom, in seconds: t6 of ISO
// 16750-2 4.6.3.
const dipHold = 0.015

// sag is how far a start pulls the battery down, x seconds after its beginning
// and y after its end (negative while it lasts).
func (s *start) sag(x, y, restV float64) float64 {
	plateau, dip := restV-s.plateauV, s.plateauV-s.dipV
	sag := plateau + dip*math.Exp(-math.Max(0, x-s.fall-dipHold)/s.half*math.Ln2)
	if x < s.fall {
		sag *= x / s.fall
	} else {
		sag -= 0.1 * -math.Expm1(-math.Max(0, x-s.fall-dipHold)/1.5) * plateau
		turning := math.Max(0, x-s.fall-dipHold)
		sag += s.rippleV * -math.Expm1(-turning/0.1) * math.Sin(2*math.Pi*s.rippleHz*turning)
	}
	if y > 0 {
		sag *= math.Exp(-y / 0.04)
	}
	return sag
}

// newBattery draws the polyline.
func newBattery(d *draw) *battery {
	b := &battery{}
	var corners []adc.Instant
	add := func(from, to adc.Instant, step float64) {
		for t := max(from, d.begin); t < min(to, d.end); t += nano(step) {
			corners = append(corners, t)
		}
	}
	add(d.begin, d.end, 0.02)
	for i := range d.starts {
		s := &d.starts[i]
		corners = append(corners, s.from, s.from+nano(s.fall), s.from+nano(s.fall+dipHold), s.to)
		add(s.from, s.from+nano(s.fall+0.3), 0.0005)
		add(s.from, s.to+nano(0.3), 0.002)
		add(s.to, s.to+nano(0.15), 0.0005)
		add(s.to, s.to+nano(2), 0.005)
	}
	for i := range d.loads {
		for _, t := range []adc.Instant{d.loads[i].from, d.loads[i].to} {
			corners = append(corners, t)
			add(t, t+nano(0.05), 0.0005)
		}
	}
	for _, t := range append([]adc.Instant{d.keyOn, d.off}, d.stops...) {
		if t != 0 {
			corners = append(corners, t)
			add(t, t+nano(0.1), 0.001)
		}
	}
	corners = append(corners, d.end)
	slices.Sort(corners)
	for _, t := range slices.Compact(corners) {
		b.points = append(b.points, Point{t, d.volts(t)})
	}
	return b
}
