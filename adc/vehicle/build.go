package vehicle

import (
	"math/rand/v2"
	"slices"

	"keyturn/adc"
)

// build makes the waves and the truth of one cycle.
func (v *Vehicle) build(rng *rand.Rand, p *plan) {
	c := &cycle{plan: p}
	note := func(what string) { c.phenomena = append(c.phenomena, what) }
	v.addLoads(rng, p, note)
	p.battery = newBattery(&p.draw)
	v.shiftEarth(p, note)
	for i := range p.draw.starts {
		note("start")
		if !p.draw.starts[i].catches {
			note("failed start")
		}
	}
	if p.name != "whole" {
		note(p.name)
	}

	wires := make([]*wire, len(v.circuits))
	behaviours := make([]string, len(v.circuits))
	for i, k := range v.circuits {
		wires[i], behaviours[i] = v.wire(rng, p, k, wires)
		if k.feature != "" {
			note(k.feature)
		}
	}
	v.loseSense(rng, p, wires, note)
	for i, k := range v.circuits {
		for n, lead := range k.leads {
			segs, edges := v.disturb(rng, p, k, wires[i], n, note)
			w := v.waves[lead]
			w.forget()
			if w.t == v.o.Start { // the filter has long settled when the model begins
				w.y = segs[0].v0
			}
			w.segs = append(w.segs, segs...)
			v.tell(c, p, k, lead, edges)
			if k.slot != "" || lead == v.BatterySense {
				v.tellLevels(c, p, lead, segs)
			}
		}
		if k.slot != "" {
			c.truth.Behaviours = append(c.truth.Behaviours, Behaviour{k.slot, behaviours[i], p.decidable(behaviours[i])})
		}
	}
	slices.SortStableFunc(c.truth.Transitions, func(a, b Transition) int { return int(a.TNS - b.TNS) })
	v.built = p.end
	v.cycles = append(v.cycles, c)
}

// addLoads puts a heavy load that is no start into a quiet part.
func (v *Vehicle) addLoads(rng *rand.Rand, p *plan, note func(string)) {
	if v.o.Tidy || rng.IntN(2) == 0 {
		return
	}
	for _, position := range []adc.Position{adc.On, adc.Running} {
		for _, stay := range p.stretches(position) {
			if at, ok := p.quiet(rng, stay, 0.7, 0.3); ok {
				p.draw.loads = append(p.draw.loads, load{at, at + nano(0.6), 0.35 + 0.45*rng.Float64(), 0.1 + 0.25*rng.Float64()})
				note("heavy load")
				return
			}
		}
	}
}

// shiftEarth lets the bench's earth, on the body, rise with the starter's current:
// every lead reads less by a share of the battery's fall.
func (v *Vehicle) shiftEarth(p *plan, note func(string)) {
	if v.earth == 0 || len(p.draw.starts) == 0 {
		return
	}
	note("earth shift")
	for i := range p.battery.points {
		q := &p.battery.points[i]
		if fall := p.draw.restV - q.V; fall > 0 && p.inStart(q.At, 0.3) {
			q.V -= v.earth * fall
		}
	}
}

// wire makes a circuit's wire for the cycle.
func (v *Vehicle) wire(rng *rand.Rand, p *plan, k *circuit, wires []*wire) (*wire, string) {
	lead := v.waves[k.leads[0]]
	w := &wire{f: lead.f, o: &k.o, battery: p.battery, rng: rng, t: p.begin}
	if k.backFed > 0 {
		return v.backFeed(w, p, k, wires[k.feeds])
	}
	on, behaviour := k.schedule(rng, p)
	on = k.falter(on, p)
	bounces := k.o.contact == metal
	if n := len(on); n > 0 && on[0].from == p.begin {
		w.y = p.battery.at(p.begin) * w.on()
	} else {
		w.y = w.level(p.begin)
	}
	opened := adc.Instant(0)
	for _, s := range on {
		if s.from > p.begin {
			at := s.from + nano(k.o.pullIn)
			w.restUntil(at, opened)
			w.close(at, bounces && rng.IntN(4) > 0)
		}
		if s.to >= p.end {
			w.conduct(p.end)
			break
		}
		opened = s.to + nano(k.o.release)
		w.conduct(opened)
		w.open(opened, bounces && rng.IntN(2) == 0)
	}
	w.restUntil(p.end, opened)
	if k.o.pwmHz > 0 {
		w.markPulsed()
	}
	return w, behaviour
}

// markPulsed makes the edges of a pulsed output its first rise and last fall.
func (w *wire) markPulsed() {
	for i := range w.edges {
		e := &w.edges[i]
		e.Why, e.Bracket = "pulsed", false
		if e.Event == "dead" {
			// The last fall is that of its last pulse.
			period := nano(1 / w.o.pwmHz)
			e.FirstNS = e.TNS - period
		}
	}
}

// backFeed lets a dead circuit be fed through another.
func (v *Vehicle) backFeed(w *wire, p *plan, k *circuit, source *wire) (*wire, string) {
	for _, g := range source.segs {
		w.push(g.to, g.v0*k.backFed, g.v1*k.backFed, g.weak)
	}
	if k.backFed < 0.6 {
		return w, "none"
	}
	w.edges = append(w.edges, source.edges...)
	return w, v.circuits[k.feeds].kind.behaviour
}

// loseSense lets the battery sense lead lose its contact for a while, with some
// luck while something changes.
func (v *Vehicle) loseSense(rng *rand.Rand, p *plan, wires []*wire, note func(string)) {
	if v.o.Tidy || rng.IntN(3) > 0 {
		return
	}
	var near []adc.Instant
	for i, k := range v.circuits {
		if k.slot != "" && k.o.pwmHz == 0 && k.kind.behaviour != "intermittent" {
			for _, e := range wires[i].edges {
				if !p.nearMove(e.TNS, 0.7) && !p.inStart(e.TNS, 0.7) && e.TNS < p.watched()-nano(1) {
					near = append(near, e.TNS)
				}
			}
		}
	}
	s := stretch{}
	if len(near) > 0 && rng.IntN(2) == 0 {
		at := near[rng.IntN(len(near))]
		s = stretch{at - nano(0.1+0.15*rng.Float64()), at + nano(0.1+0.15*rng.Float64())}
	} else if at, ok := p.quiet(rng, stretch{p.first(), p.watched() - nano(1)}, 0.5, 0.5); ok {
		s = stretch{at, at + nano(0.2+0.3*rng.Float64())}
	} else {
		return
	}
	p.senseLost = &s
	note("sense lost")
}

// disturb takes a lead's own contact away for a while and returns what the lead
// sees and the truth of its edges.
func (v *Vehicle) disturb(rng *rand.Rand, p *plan, k *circuit, w *wire, n int, note func(string)) ([]segment, []Transition) {
	edges := append([]Transition(nil), w.edges...)
	if k.leads[0] == v.BatterySense && p.senseLost != nil {
		return cutOut(w.segs, *p.senseLost), nil
	}
	if v.o.Tidy || k.slot == "" || k.slot == v.IgnitionSlot || len(k.leads) > 1 || k.o.pwmHz > 0 || k.o.testHz > 0 || k.kind.behaviour == "intermittent" ||
		k.kind.behaviour == "switch-operated" || k.backFed > 0 || rng.IntN(5) > 0 {
		return w.segs, edges
	}
	length, why := 0.05+0.5*rng.Float64(), "lost-contact"
	if rng.IntN(8) == 0 {
		length, why = 0.005+0.010*rng.Float64(), "short"
	}
	at, ok := p.quiet(rng, stretch{p.begin + nano(0.3), p.off() - nano(0.1)}, length, 0.4)
	if !ok {
		return w.segs, edges
	}
	s := stretch{at, at + nano(length)}
	if !w.liveAll(stretch{s.from - nano(0.15), s.to + nano(0.15)}) || (p.senseLost != nil && (p.senseLost.holds(s.from, 0.3) || p.senseLost.holds(s.to, 0.3))) {
		return w.segs, edges
	}
	note(why)
	for _, e := range []Transition{{Event: "dead", TNS: s.from}, {Event: "live", TNS: s.to}} {
		e.FirstNS, e.LastNS, e.Why, e.Required, e.Bracket = e.TNS, e.TNS, why, why != "short", true
		edges = append(edges, e)
	}
	slices.SortFunc(edges, func(a, b Transition) int { return int(a.TNS - b.TNS) })
	return cutOut(w.segs, s), edges
}

// liveAll reports whether the wire is live, without an edge, all through a
// stretch.
func (w *wire) liveAll(s stretch) bool {
	state := len(w.edges) > 0 && w.edges[0].Event == "dead" || len(w.edges) == 0 && len(w.segs) > 0 && w.segs[0].v0 > 9 && w.segs[0].weak == 0
	for _, e := range w.edges {
		if e.TNS >= s.from && e.TNS <= s.to {
			return false
		}
		if e.TNS < s.from {
			state = e.Event == "live"
		}
	}
	return state
}

// cutOut makes the wire float for a stretch.
func cutOut(segs []segment, s stretch) []segment {
	var out []segment
	for _, g := range segs {
		for _, part := range []stretch{{g.from, min(g.to, s.from)}, {max(g.from, s.from), min(g.to, s.to)}, {max(g.from, s.to), g.to}} {
			if part.from >= part.to {
				continue
			}
			x := segment{from: part.from, to: part.to, weak: g.weak}
			if part.from >= s.from && part.to <= s.to {
				x.weak = 1
			}
			a, b := g.line(part.from)
			x.v0, x.v1 = a, a+b*float64(part.to-part.from)
			out = append(out, x)
		}
	}
	return out
}

// tell writes the truth of one lead.
func (v *Vehicle) tell(c *cycle, p *plan, k *circuit, lead int, edges []Transition) {
	markShort(edges)
	name := v.Leads[lead].Name
	if s := p.senseLost; s != nil {
		unseen := 0
		for i := range edges {
			if s.holds(edges[i].TNS, 0.03) {
				edges[i].Why = "blind"
				unseen++
			}
		}
		for i := range edges {
			if edges[i].Why == "blind" && unseen > 1 {
				edges[i].Required = false
			}
		}
	}
	if k.slot != "" {
		for _, e := range edges {
			e.Slot, e.Lead = k.slot, name
			c.truth.Transitions = append(c.truth.Transitions, e)
		}
	}
	for i := range p.draw.starts {
		s := &p.draw.starts[i]
		if live(edges, p, k, stretch{s.from - nano(0.05), s.to + nano(0.05)}) {
			m := p.battery.minimum(s.from, s.to)
			c.truth.Minima = append(c.truth.Minima, CrankMinimum{name, m.V * (1 - k.o.drop), m.At})
		}
	}
}

// live reports whether a steady lead is live all through a stretch.
func live(edges []Transition, p *plan, k *circuit, s stretch) bool {
	if k.o.pwmHz > 0 || k.o.testHz > 0 || k.backFed > 0 {
		return false
	}
	state := k.kind.behaviour == "permanent" || k.kind.behaviour == "awake" || k.kind.behaviour == "intermittent"
	for _, e := range edges {
		if e.TNS >= s.from && e.TNS <= s.to {
			return false
		}
		if e.TNS < s.from {
			state = e.Event == "live"
		}
	}
	return state
}
