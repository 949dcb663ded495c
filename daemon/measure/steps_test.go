package measure_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/daemon/measure"
)

// This file times thousands of steps of every kind on the virtual bus and holds
// the instants, their uncertainties and their brackets to the truth.

// edgeKind is a way in which a wire goes live and dead.
type edgeKind string

const (
	clean    edgeKind = "clean"    // a contact that makes and breaks, the wire pulled down by its load
	floating edgeKind = "floating" // the same, the wire left to itself
	bounce   edgeKind = "bounce"   // 0.2 to 3 ms, one to four openings; a third of it when it breaks
	slow     edgeKind = "slow"     // a soft switch: ramps of 3 to 25 ms
	cranking edgeKind = "crank"    // clean, while the engine turns
	source   edgeKind = "source"   // behind a resistance that loses 2 to 35 % to the lead
	bulk     edgeKind = "bulk"     // into a capacitor: the wire rises with 0.05 to 0.5 ms, and runs down
)

var edgeKinds = []edgeKind{clean, bounce, slow, floating, cranking, source, bulk}

// truth is an edge as it was made.
type truth struct {
	at   adc.Instant
	live bool
}

// crankedBattery is a battery that cranks for ever from an instant on, a whole
// millisecond: inrush, plateau and ripple, as corners 1 ms apart.
func crankedBattery(from, until adc.Instant) []vehicle.Point {
	pts := []vehicle.Point{{At: from, V: 12.6}}
	for t := from + 1e6; t < until; t += 1e6 {
		x := (t - from).Seconds()
		v := 10.4 - 2.4*math.Exp(-x/0.06)*min(1, x/0.004) + 0.25*math.Sin(2*math.Pi*7.3*x)
		pts = append(pts, vehicle.Point{At: t, V: 12.6 - (12.6-v)*min(1, x/0.004)})
	}
	return pts
}

// maker draws the pieces of one lead's wire and writes down the truth.
type maker struct {
	rng       *rand.Rand
	kind      edgeKind
	tau, tauF float64
	battery   []vehicle.Point // corners every millisecond; nil: 12.6 V
	part      float64
	pieces    []vehicle.Piece
	edges     []truth
}

func (m *maker) volts(t adc.Instant) float64 {
	if m.battery == nil || t < m.battery[0].At {
		return 12.6
	}
	i := min(int((t-m.battery[0].At)/1e6), len(m.battery)-2)
	a, b := m.battery[i], m.battery[i+1]
	return a.V + (b.V-a.V)*float64(t-a.At)/1e6
}

// hold drives the wire at a part of the battery from an instant to another.
func (m *maker) hold(from, to adc.Instant, part, weak float64) {
	if m.battery == nil || part == 0 {
		m.pieces = append(m.pieces, vehicle.Piece{From: from, V0: part * 12.6, V1: part * 12.6, Weak: weak})
		return
	}
	for t := from; t < to; {
		next := min((t/1e6+1)*1e6, to)
		m.pieces = append(m.pieces, vehicle.Piece{From: t, V0: part * m.volts(t), V1: part * m.volts(next), Weak: weak})
		t = next
	}
}

// settle is the filter's voltage at the end of pieces of constant drive.
func (m *maker) settle(y float64, at []adc.Instant, v, weak []float64) float64 {
	for i := 0; i+1 < len(at); i++ {
		tau := m.tau + weak[i]*(m.tauF-m.tau)
		y = v[i] + (y-v[i])*math.Exp(-float64(at[i+1]-at[i])/tau)
	}
	return y
}

// bounced makes a contact touch and open and returns its equivalent step and its
// last touch.
func (m *maker) bounced(at adc.Instant, closing bool) (equivalent, last adc.Instant) {
	length := adc.Instant((0.2 + 2.8*m.rng.Float64()) * 1e6)
	if !closing {
		length /= 3
	}
	cuts := []adc.Instant{at}
	for range 2*(1+m.rng.IntN(4)) - 1 {
		cuts = append(cuts, at+adc.Instant(m.rng.Int64N(int64(length))))
	}
	cuts = append(cuts, at+length)
	slices.Sort(cuts)
	touching := closing
	var v, weak []float64
	for i := range len(cuts) - 1 {
		x, w := 0.0, 1.0
		if touching {
			x, w = m.part, 0
		}
		m.hold(cuts[i], cuts[i+1], x, w)
		v, weak = append(v, x*12.6), append(weak, w)
		touching = !touching
	}
	y0, v1, tau := 0.0, m.part*12.6, m.tau
	if !closing {
		y0, v1, tau = m.part*12.6, 0, m.tauF
	}
	y := m.settle(y0, cuts, v, weak)
	last = at + length
	return last + adc.Instant(tau*math.Log((y-v1)/(y0-v1))), last
}

// make draws edges from an instant to another.
func (m *maker) make(from, to adc.Instant) {
	t := from
	pause := func() adc.Instant { return adc.Instant((120 + 100*m.rng.Float64()) * 1e6) }
	for t = t + adc.Instant(m.rng.Int64N(1e8)); t < to-adc.Instant(700e6); {
		off := t + pause()
		t = m.rise(t, off)
		t = m.fall(max(off, t), t)
		t += pause()
	}
}

func (m *maker) rise(at, off adc.Instant) adc.Instant {
	is := truth{at, true}
	weak := 0.0
	switch m.kind {
	case bounce:
		is.at, at = m.bounced(at, true)
	case slow:
		end := at + adc.Instant((3+22*m.rng.Float64())*1e6)
		m.pieces = append(m.pieces, vehicle.Piece{From: at, V0: 0, V1: m.part * 12.6})
		is.at, at = (at+end)/2, end
	case source:
		weak = 0.02 + 0.33*m.rng.Float64()
	case bulk:
		tau := (0.05 + 0.45*m.rng.Float64()) * 1e6
		begin := at
		level := func(t adc.Instant) float64 { return -m.part * 12.6 * math.Expm1(-float64(t-begin)/tau) }
		for range 200 {
			next := at + adc.Instant(tau/20)
			m.pieces = append(m.pieces, vehicle.Piece{From: at, V0: level(at), V1: level(next)})
			at = next
		}
		is.at = begin + adc.Instant(m.tau*math.Log(m.tau/(m.tau-tau)))
	}
	m.hold(at, off, m.part, weak)
	m.edges = append(m.edges, is)
	return off
}

func (m *maker) fall(at, _ adc.Instant) adc.Instant {
	is := truth{at, false}
	weak := 0.0
	switch m.kind {
	case floating, source:
		weak = 1
	case bounce:
		weak = 1
		is.at, at = m.bounced(at, false)
	case slow:
		end := at + adc.Instant((3+22*m.rng.Float64())*1e6)
		m.pieces = append(m.pieces, vehicle.Piece{From: at, V0: m.part * 12.6, V1: 0})
		is.at, at = (at+end)/2, end
	case bulk:
		tau := (20 + 60*m.rng.Float64()) * 1e6
		begin := at
		level := func(t adc.Instant) float64 { return m.part * 12.6 * math.Exp(-float64(t-begin)/tau) }
		for range 240 {
			next := at + adc.Instant(tau/30)
			m.pieces = append(m.pieces, vehicle.Piece{From: at, V0: level(at), V1: level(next)})
			at = next
		}
	}
	m.hold(at, at, 0, weak)
	m.edges = append(m.edges, is)
	return at
}

// stepRun is one bench of 15 slots whose wires all switch in one way.
type stepRun struct {
	edges   [][]truth // per lead
	found   [][]measure.Transition
	samples [][]adc.Sample // per lead, all of them
	gain    []float64
	tau     []float64
	part    []float64
}

// runSteps lets a bench of a seed time steps of a kind; before them it sees clean
// ones for a while, to learn its time constants from.
func runSteps(t testing.TB, seed uint64, kind edgeKind, host adctest.BusOptions, seconds int, keep bool) *stepRun {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 0x57e9))
	learnFor, until := adc.Instant(14e9), adc.Instant(seconds)*1e9+adc.Instant(14e9)
	r := &stepRun{edges: make([][]truth, 16), found: make([][]measure.Transition, 16), samples: make([][]adc.Sample, 16)}
	p := measure.Params{BatterySense: 0, Key: measure.NoKeySense(), WatchFor: 2 * time.Second}
	var battery []vehicle.Point
	if kind == cranking {
		// Each edge is during a start; learning happens before it.
		battery = crankedBattery(learnFor, until)
	}
	waves := make([]adctest.Wave, 16)
	for i := range 16 {
		near := func(u float64) float64 { return 1 + u*rng.NormFloat64() }
		parts := vehicle.Parts{Upper: near(0.003), Lower: near(0.003), Capacitor: near(0.02)}
		m := &maker{rng: rand.New(rand.NewPCG(seed, uint64(i))), kind: clean, part: 0.965 + 0.035*rng.Float64()}
		probe := vehicle.NewPieces([]vehicle.Piece{{}}, parts)
		m.tau, m.tauF = probe.Tau()
		switch {
		case i == 0 && battery != nil:
			pieces := []vehicle.Piece{{V0: 12.6, V1: 12.6}}
			for k := range len(battery) - 1 {
				pieces = append(pieces, vehicle.Piece{From: battery[k].At, V0: battery[k].V, V1: battery[k+1].V})
			}
			m.pieces = append(pieces, vehicle.Piece{From: battery[len(battery)-1].At, V0: battery[len(battery)-1].V})
		case i == 0:
			m.pieces = []vehicle.Piece{{V0: 12.6}}
		default:
			m.pieces = []vehicle.Piece{{}}
			m.make(2e8, learnFor)
			learned := len(m.edges)
			m.kind, m.battery = kind, battery
			m.make(learnFor, until)
			r.edges[i] = m.edges[learned:]
		}
		w := vehicle.NewPieces(m.pieces, parts)
		waves[i] = w
		_, tauF := w.Tau()
		told := near(0.02)
		p.Leads = append(p.Leads, adc.Lead{
			Name: fmt.Sprintf("lead-%02d", i+1), Tau: time.Duration(m.tau * told), TauFloating: time.Duration(tauF * told), UTau: 0.03,
			Calibration: adc.Calibration{Gain: w.Ratio() * near(0.0005), UGain: 0.0005},
		})
		r.gain, r.tau, r.part = append(r.gain, w.Ratio()), append(r.tau, m.tau), append(r.part, m.part)
		if i > 0 {
			p.Slots = append(p.Slots, measure.Slot{Name: fmt.Sprintf("f%02d", i), Leads: []measure.SlotLead{{Lead: i}}})
		}
	}
	b := newBenchOn(t, seed, host, 0, p, waves, func(in adc.Input) {
		if keep && in.Kind == adc.SampleInput {
			r.samples[in.Sample.Lead] = append(r.samples[in.Sample.Lead], in.Sample)
		}
	})
	b.runUntil(until)
	b.events = append(b.events, b.engine.Flush()...)
	for _, e := range b.events {
		switch x := e.(type) {
		case *measure.Transition:
			r.found[x.Lead] = append(r.found[x.Lead], *x)
		case *measure.TransitionWithdrawn:
			r.found[x.Lead] = slices.DeleteFunc(r.found[x.Lead], func(t measure.Transition) bool { return t.ID == x.ID })
		}
	}
	return r
}

// match finds the transition of an edge, nil if there is none near it.
func (r *stepRun) match(lead int, e truth) *measure.Transition {
	var best *measure.Transition
	for i := range r.found[lead] {
		t := &r.found[lead][i]
		if (t.State == measure.Live) == e.live && t.At.Sub(e.at).Abs() < 60*time.Millisecond &&
			(best == nil || t.At.Sub(e.at).Abs() < best.At.Sub(e.at).Abs()) {
			best = t
		}
	}
	return best
}

var knownHost = adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}

// BenchmarkCoverage reports, per kind of edge, how often the stated interval (k =
// 2) and the bracket contain the true instant, how wide the interval is, and how
// often the curve dates it.
func BenchmarkCoverage(b *testing.B) {
	for _, kind := range edgeKinds {
		b.Run(string(kind), func(b *testing.B) {
			for b.Loop() {
				c := coverage(b, kind, 3000)
				b.ReportMetric(100*c.covered, "covered-%")
				b.ReportMetric(100*c.bracketed, "in-bracket-%")
				b.ReportMetric(100*c.curve, "curve-%")
				b.ReportMetric(c.halfWidth*1e6, "half-width-us")
				b.ReportMetric(c.p50*1e6, "median-us")
				b.ReportMetric(c.p99*1e6, "p99-us")
				if len(c.curves) > 0 {
					b.ReportMetric(quantile(c.curves, 0.99)*1e6, "curve-p99-us")
				}
				b.ReportMetric(float64(c.n), "edges")
				b.ReportMetric(float64(c.missed), "missed")
			}
		})
	}
}

// The interval covers, and the bracket always holds, for every kind of edge.
func TestStatedIntervalsCover(t *testing.T) {
	for _, kind := range edgeKinds {
		c := coverage(t, kind, stepEdges)
		t.Logf("%s: %d edges, %.1f %% within twice the uncertainty (median ± %.0f us), %.1f %% in the bracket, %.1f %% dated by a curve, off by %.1f us in the median",
			kind, c.n, 100*c.covered, 1e6*c.halfWidth, 100*c.bracketed, 100*c.curve, 1e6*c.p50)
		if c.covered < coveredLeast || c.bracketed < 1 || c.missed > 0 {
			t.Errorf("%s: %.4f covered, want %.2f; %.4f in the bracket, want all; %d missed", kind, c.covered, coveredLeast, c.bracketed, c.missed)
		}
		if kind == clean && c.curve < 0.95 {
			t.Errorf("a curve dates %.3f of the clean edges, want 0.95", c.curve)
		}
	}
}

// covered is how the edges of a kind came out.
type covered struct {
	n, missed                                      int
	covered, bracketed, curve, halfWidth, p50, p99 float64
	curves                                         []float64 // errors of those that a curve dates, in seconds
}

// coverage runs benches on hosts that nobody knows until there are enough edges.
func coverage(t testing.TB, kind edgeKind, edges int) covered {
	var c covered
	var half, errs []float64
	for seed := uint64(1); c.n < edges; seed++ {
		rng := rand.New(rand.NewPCG(seed, 0x405))
		overhead := time.Duration(20+rng.IntN(100)) * time.Microsecond
		host := adctest.BusOptions{OverheadMin: overhead, OverheadMax: overhead, OverheadBefore: 0.02 + 0.96*rng.Float64()}
		r := runSteps(t, seed*31+uint64(len(kind)), kind, host, 20, false)
		for lead, all := range r.edges {
			for _, e := range all {
				c.n++
				x := r.match(lead, e)
				if x == nil {
					c.missed++
					continue
				}
				if d := x.At.Sub(e.at).Abs(); d <= 2*x.U {
					c.covered++
				}
				if e.at >= x.NotBefore && e.at <= x.NotAfter {
					c.bracketed++
				}
				if x.Timing == measure.TimingCurve {
					c.curve++
					c.curves = append(c.curves, x.At.Sub(e.at).Seconds())
				}
				half, errs = append(half, 2*x.U.Seconds()), append(errs, x.At.Sub(e.at).Abs().Seconds())
			}
		}
	}
	n := float64(c.n - c.missed)
	c.covered, c.bracketed, c.curve = c.covered/n, c.bracketed/n, c.curve/n
	slices.Sort(half)
	slices.Sort(errs)
	c.halfWidth, c.p50, c.p99 = half[len(half)/2], errs[len(errs)/2], errs[len(errs)*99/100]
	return c
}
