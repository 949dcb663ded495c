package judge

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// This file is a model of boxes with planted faults, down to what a bench would measure
// of them. It shares no rule with the verdict: it knows circuits, fuses, leads and noise.

// fault is what was planted in a slot.
type fault string

const (
	wrongCircuit fault = "wrong circuit"
	noVolts      fault = "no volts"
	badJoint     fault = "joint resistance"
	backFeed     fault = "back-feed"
	bridge       fault = "bridged slots"
	earthShort   fault = "earth short"
	lateRelay    fault = "late relay"
	dropOut      fault = "drops out"
	comesAndGoes fault = "intermittent"
	onTooLong    fault = "stays on too long"
	sags         fault = "falls too far"
	ghostly      fault = "ghost voltage"
	crossedPair  fault = "crossed lead pair"
	crossedSides fault = "crossed sides"
	leadOff      fault = "lead off"
)

func everyFault() []fault {
	return []fault{wrongCircuit, noVolts, badJoint, backFeed, bridge, earthShort, lateRelay, dropOut, comesAndGoes, onTooLong, sags, ghostly, crossedPair, crossedSides, leadOff}
}

var visited = []string{"accessory", "on", "start", "running", "off"}

// liveIn is where a circuit has volts.
func liveIn(b Behaviour) []string {
	return map[Behaviour][]string{
		Permanent: visited, Ignition: {"on", "start", "running"}, Accessory: {"accessory", "on", "running"},
		StartOnly: {"start"}, EngineRunning: {"running"}, Intermittent: {"on"},
	}[b]
}

// does is the behaviour of a set of positions.
func does(in []string) Behaviour {
	for _, b := range []Behaviour{NoVolts, Permanent, Ignition, Accessory, StartOnly, EngineRunning} {
		if l := liveIn(b); len(l) == len(in) && !slices.ContainsFunc(l, func(p string) bool { return !slices.Contains(in, p) }) {
			return b
		}
	}
	return SwitchOperated // it follows the key in no way that has a name
}

// modelSlot is the truth of a slot.
type modelSlot struct {
	BoxSlot
	fault    fault
	circuit  Behaviour
	joint    float64 // mΩ of its own contact
	onS      float64
	staysS   float64
	off      bool    // off in start
	fallsV   float64 // further than the battery
	ghost    bool
	back     []string // where its load side is fed from outside
	bridged  int      // the slot that its load side is joined to; -1: none
	blown    bool
	swap     int // the slot whose leads are in it; itself
	mirrored bool
	offFrom  int // the round from which its leads are off
}

type modelBox struct {
	rng       *rand.Rand
	slots     []modelSlot
	withProbe bool // the load's current flows through the probe
}

// newModelBox draws a box without a fault.
func newModelBox(rng *rand.Rand) *modelBox {
	m := &modelBox{rng: rng, withProbe: rng.IntN(5) == 0}
	behaviours := []Behaviour{Permanent, Ignition, Ignition, Accessory, Accessory, StartOnly, EngineRunning, NoVolts}
	for i := range 10 + rng.IntN(51) {
		x := modelSlot{bridged: -1, swap: i, offFrom: math.MaxInt}
		x.Name, x.Match = fmt.Sprintf("f%02d", i+1), []string{"C", "F"}[rng.IntN(2)]
		x.Expected.Behaviour = behaviours[rng.IntN(len(behaviours))]
		x.Expected.FeedSide = []string{"", "left", "right"}[rng.IntN(3)]
		switch x.Expected.Behaviour {
		case Ignition, Accessory:
			off := x.Expected.Behaviour == Accessory
			most := 1 + 20*rng.Float64()
			x.Expected.StaysOnMaxS, x.Expected.OffInStart = &most, &off
			x.staysS, x.off = most*0.8*rng.Float64(), off
		}
		switch rng.IntN(12) {
		case 0:
			x.Network = true
		case 1:
			x.Avoid = "airbag"
		}
		x.circuit, x.joint, x.onS, x.fallsV = x.Expected.Behaviour, 5+15*rng.Float64(), 0.005+0.03*rng.Float64(), 0.5*rng.Float64()
		m.slots = append(m.slots, x)
	}
	return m
}

// plant puts a fault where nothing is planted yet, and reports whether there was a place.
func (m *modelBox) plant(f fault) bool {
	free := func(i int) bool {
		x := &m.slots[i]
		return x.fault == "" && x.Avoid == "" && !x.Network && x.Expected.Behaviour != NoVolts
	}
	for range 200 {
		i := m.rng.IntN(len(m.slots))
		x := &m.slots[i]
		if free(i) && m.put(f, i, x, free) {
			x.fault = f
			return true
		}
	}
	return false
}

func (m *modelBox) put(f fault, i int, x *modelSlot, free func(int) bool) bool {
	e := &x.Expected
	switch f {
	case wrongCircuit:
		for x.circuit == e.Behaviour {
			x.circuit = []Behaviour{Permanent, Ignition, Accessory, StartOnly, EngineRunning}[m.rng.IntN(5)]
		}
		x.off = x.circuit == Accessory
	case noVolts:
		x.circuit = NoVolts
	case badJoint:
		x.joint = 35 * math.Pow(2000./35, m.rng.Float64())
	case backFeed:
		x.back = liveIn([]Behaviour{Permanent, Ignition, Accessory, EngineRunning}[m.rng.IntN(4)])
	case bridge:
		if i+1 == len(m.slots) || !free(i+1) {
			return false
		}
		x.bridged, m.slots[i+1].bridged, m.slots[i+1].fault = i+1, i, f
	case earthShort:
		x.blown = true
	case lateRelay:
		if !follows(e.Behaviour) {
			return false
		}
		x.onS = 0.11 + 0.23*m.rng.Float64()
	case dropOut:
		if e.Behaviour != Ignition {
			return false
		}
		x.off = true
	case comesAndGoes:
		x.circuit = Intermittent
	case onTooLong:
		if e.StaysOnMaxS == nil {
			return false
		}
		x.staysS = *e.StaysOnMaxS * (1.05 + m.rng.Float64())
	case sags:
		if e.Behaviour != Permanent && e.Behaviour != Ignition {
			return false
		}
		x.fallsV = 1.2 + 2*m.rng.Float64()
	case ghostly:
		x.ghost = true
	case crossedPair:
		k := m.rng.IntN(len(m.slots))
		if k == i || !free(k) || m.slots[k].Expected.Behaviour == e.Behaviour {
			return false
		}
		x.swap, m.slots[k].swap, m.slots[k].fault = k, i, f
	case crossedSides:
		if e.FeedSide == "" {
			return false
		}
		x.mirrored = true
	case leadOff:
		x.offFrom = 1 + m.rng.IntN(rounds)
	}
	return true
}

// The rounds: every fuse in, every fuse out, those at odd places out, those at even
// places out, every fuse in again.
const rounds = 5

func fusedIn(round, i int) Fuse {
	if round == 1 || round == 5 || round == 3 && i%2 == 0 || round == 4 && i%2 == 1 {
		return FuseIn
	}
	return FuseOut
}

// sidesOf is where the feed and the load side of a slot have volts in a round.
func (m *modelBox) sidesOf(i, round int) (feed, load []string) {
	x := &m.slots[i]
	conducts := func(i int) bool { return fusedIn(round, i) == FuseIn && !m.slots[i].blown }
	add := func(to []string, more []string) []string {
		for _, p := range more {
			if !slices.Contains(to, p) {
				to = append(to, p)
			}
		}
		return to
	}
	feed = add(nil, liveIn(x.circuit))
	load = add(nil, x.back)
	if x.off {
		feed = slices.DeleteFunc(feed, func(p string) bool { return p == start })
	}
	if k := x.bridged; k >= 0 {
		if conducts(k) {
			load = add(load, liveIn(m.slots[k].circuit))
		}
	}
	if conducts(i) {
		load = add(load, feed)
		feed = add(feed, load)
	}
	return feed, load
}

// figure is a measured value: the true one and noise of its uncertainty.
func (m *modelBox) figure(v, u float64) float64 { return v + u*m.rng.NormFloat64() }

// see is what a bench measures of a slot in a round, through the leads that are in it.
func (m *modelBox) see(i, round int) Round {
	x := &m.slots[m.slots[i].swap]
	r := Round{Number: round, Positions: visited, Fuse: fusedIn(round, i), Battery: &Dip{V: m.figure(9.5, 0.01), UV: 0.01}}
	feed, load := m.sidesOf(m.slots[i].swap, round)
	off := round >= m.slots[i].offFrom
	side := x.Expected.FeedSide
	if side == "" {
		side = "left"
	}
	other := map[string]string{"left": "right", "right": "left"}
	if x.mirrored {
		side = other[side]
	}
	if off {
		feed, load = nil, nil
	}
	for _, s := range []struct {
		name string
		in   []string
	}{{side, feed}, {other[side], load}} {
		l := Side{Name: s.name, LiveIn: s.in, Proven: len(s.in) > 0 || m.slots[i].offFrom == math.MaxInt}
		for _, p := range visited {
			if !slices.Contains(s.in, p) {
				l.DeadIn = append(l.DeadIn, p)
			}
		}
		r.Leads = append(r.Leads, l)
	}
	m.measure(x, &r, does(x.seenIn(feed, load)))
	return r
}

// seenIn is where a slot counts as live: any of its leads is.
func (x *modelSlot) seenIn(feed, load []string) []string {
	in := slices.Clone(feed)
	for _, p := range load {
		if !slices.Contains(in, p) {
			in = append(in, p)
		}
	}
	if x.off && slices.Contains(in, "on") && !slices.Contains(in, start) && x.circuit == Ignition {
		in = append(in, start) // a slot that drops out is what it was before
	}
	return in
}

// measure fills in the figures of a slot that does so in a round.
func (m *modelBox) measure(x *modelSlot, r *Round, b Behaviour) {
	r.Name, r.Behaviour = x.Name, b
	if x.circuit == Intermittent && b != NoVolts {
		r.Behaviour = Intermittent
	}
	if b == NoVolts {
		return
	}
	u := 0.0005 + 0.002*m.rng.Float64()
	if follows(b) {
		r.OnAfter = &Time{S: m.figure(x.onS, u), US: u}
	}
	if b == Ignition || b == Accessory {
		r.StaysOn = &Time{S: m.figure(x.staysS, u), US: u}
	}
	if b != StartOnly && b != EngineRunning {
		off := x.off || b == Accessory
		r.OffInStart = &off
	}
	if b == Permanent || b == Ignition {
		r.Lowest = &Dip{V: m.figure(9.5-x.fallsV, 0.02), UV: 0.02, HiddenV: 0.05}
	}
	if r.Fuse == FuseIn {
		p := &Path{MOhm: x.joint, UMOhm: 0.3 + 1.2*m.rng.Float64() + 0.02*x.joint, IncludesProbe: m.withProbe}
		if m.withProbe {
			p.MOhm += 5 + 45*m.rng.Float64()
		}
		p.MOhm = m.figure(p.MOhm, p.UMOhm)
		r.Source = &Source{Path: p}
		if x.ghost {
			r.Source = &Source{Ghost: true}
		}
	}
}

// inputs are what the verdict is given of the box.
func (m *modelBox) inputs() []BoxSlot {
	var out []BoxSlot
	for i := range m.slots {
		s := m.slots[i].BoxSlot
		s.Rounds = nil
		for n := 1; n <= rounds; n++ {
			s.Rounds = append(s.Rounds, m.see(i, n))
		}
		out = append(out, s)
	}
	return out
}
