package vehicle

import (
	"math"
	"math/rand/v2"
	"sort"

	"keyturn/adc"
)

// wire builds the voltage of one circuit's wire, stretch by stretch, and writes
// down the truth of its edges. It runs the lead's filter along, for the
// equivalent step is read off the filter's own state.
type wire struct {
	f       filter
	o       *outlet
	battery *battery
	rng     *rand.Rand
	segs    []segment
	t       adc.Instant
	y       float64
	edges   []Transition
}

// push adds a segment up to an instant.
func (w *wire) push(to adc.Instant, v0, v1, weak float64) {
	if to <= w.t {
		return
	}
	g := segment{from: w.t, to: to, v0: v0, v1: v1, weak: weak}
	w.y = w.f.after(&g, w.t, to, w.y)
	w.segs = append(w.segs, g)
	w.t = to
}

// follow lets the wire stand at a part of the battery's voltage up to an instant.
func (w *wire) follow(to adc.Instant, part float64) {
	b := w.battery.points
	i := sort.Search(len(b), func(i int) bool { return b[i].At > w.t })
	v := w.battery.at(w.t)
	for ; i < len(b) && b[i].At < to; i++ {
		w.push(b[i].At, v*part, b[i].V*part, 0)
		v = b[i].V
	}
	w.push(to, v*part, w.battery.at(to)*part, 0)
}

// on is the part of the battery's voltage that the wire has when on.
func (w *wire) on() float64 { return 1 - w.o.drop }

// idle lets the wire rest up to an instant; openedAt is since when it is off.
func (w *wire) idle(to adc.Instant, openedAt adc.Instant) {
	switch w.o.rest {
	case released:
		w.push(to, 0, 0, 1)
	case ghosted:
		w.follow(to, w.o.ghost)
	case runningDown:
		if openedAt == 0 {
			w.push(to, 0, 0, 0)
			return
		}
		v0 := w.battery.at(openedAt) * w.on()
		level := func(t adc.Instant) float64 {
			return v0 * math.Exp(-float64(t-openedAt)*1e-9/w.o.runDown)
		}
		last := openedAt + nano(8*w.o.runDown)
		for w.t < min(to, last) {
			next := min(to, w.t+nano(w.o.runDown/40), last)
			w.push(next, level(w.t), level(next), 0)
		}
		w.push(to, 0, 0, 0)
	default:
		w.push(to, 0, 0, 0)
	}
}

// level is the wire's rest level at an instant.
func (w *wire) level(t adc.Instant) float64 {
	if w.o.rest == ghosted {
		return w.battery.at(t) * w.o.ghost
	}
	return 0
}

// close makes the contact at an instant.
func (w *wire) close(at adc.Instant, bounce bool) {
	w.idle(at, 0)
	first := Transition{Event: "live", TNS: at, FirstNS: at, LastNS: at, Why: "clean", Required: true, Bracket: true}
	switch {
	case w.o.contact == slow:
		end := at + nano(w.o.ramp)
		w.push(end, w.level(at), w.battery.at(end)*w.on(), 0)
		first.TNS, first.LastNS, first.Why = at+(end-at)/2, end, "slow"
	case bounce:
		y0 := w.y
		w.bounce(true)
		v1 := w.battery.at(w.t) * w.on()
		first.LastNS, first.Why = w.t, "bounce"
		first.TNS = w.t + adc.Instant(w.f.tau*math.Log((w.y-v1)/(y0-v1)))
	}
	w.edges = append(w.edges, first)
}

// open breaks it. The filter is taken to be settled before.
func (w *wire) open(at adc.Instant, bounce bool) {
	e := Transition{Event: "dead", TNS: at, FirstNS: at, LastNS: at, Why: "clean", Required: true, Bracket: true}
	switch {
	case w.o.rest == runningDown:
		e.Why = "run-down"
	case w.o.contact == slow:
		end := at + nano(w.o.ramp)
		w.push(end, w.battery.at(at)*w.on(), w.level(end), 0)
		e.TNS, e.LastNS, e.Why = at+(end-at)/2, end, "slow"
	case bounce:
		y0 := w.y
		w.bounce(false)
		tau := w.f.tau
		if w.o.rest == released {
			tau = w.f.floating
		}
		v1 := w.level(w.t)
		e.LastNS, e.Why = w.t, "bounce"
		e.TNS = w.t + adc.Instant(tau*math.Log((w.y-v1)/(y0-v1)))
	}
	w.edges = append(w.edges, e)
}

// bounce lets the contact touch and open from its first touch (opening) to its
// last: 0.2 to 3 ms, one to four openings.
func (w *wire) bounce(closing bool) {
	openings := 1 + w.rng.IntN(4)
	length := nano(0.0002 + 0.0028*w.rng.Float64())
	if !closing {
		length /= 3
	}
	cuts := make([]adc.Instant, 0, 8)
	for range 2*openings - 1 {
		cuts = append(cuts, w.t+adc.Instant(w.rng.Int64N(int64(length))))
	}
	cuts = append(cuts, w.t+length)
	sort.Slice(cuts, func(i, j int) bool { return cuts[i] < cuts[j] })
	touching := closing
	for _, c := range cuts {
		if touching {
			w.follow(c, w.on())
		} else {
			w.idle(c, 0)
		}
		touching = !touching
	}
}

// conduct keeps it on up to an instant: steady, pulsed, or with test pulses.
func (w *wire) conduct(to adc.Instant) {
	switch {
	case w.o.pwmHz > 0:
		w.pulse(to)
	case w.o.testHz > 0 && w.o.testOn:
		w.test(to, func(t adc.Instant) { w.follow(t, w.on()) }, func(t adc.Instant) { w.push(t, 0, 0, 0) })
	default:
		w.follow(to, w.on())
	}
}

// rest keeps it off up to an instant.
func (w *wire) restUntil(to adc.Instant, openedAt adc.Instant) {
	if w.o.testHz > 0 && !w.o.testOn {
		w.test(to, func(t adc.Instant) { w.idle(t, openedAt) }, func(t adc.Instant) { w.follow(t, w.on()) })
		return
	}
	w.idle(to, openedAt)
}

// pulse switches it at its frequency; it ends off.
func (w *wire) pulse(to adc.Instant) {
	period := 1 / w.o.pwmHz
	for w.t < to {
		w.follow(min(to, w.t+nano(period*w.o.duty)), w.on())
		w.push(min(to, w.t+nano(period*(1-w.o.duty))), 0, 0, 0)
	}
}

// test puts short pulses into a state, well away from its ends.
func (w *wire) test(to adc.Instant, state, pulse func(adc.Instant)) {
	gap := 1 / w.o.testHz
	for next := w.t + nano(0.1); next < to-nano(0.1); next += nano(gap * (1 + 0.3*w.rng.Float64())) {
		state(next)
		pulse(next + nano(w.o.testMS*1e-3))
	}
	state(to)
}
