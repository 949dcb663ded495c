package measure

import (
	"math"
	"slices"
	"time"

	"keyturn/adc"
)

// This file decides what a slot does, from when it was live and where the key
// stood. It says what an ideal observer of this one cycle would say:
//
//	off  acc  on  start  running
//	live live live  any   live     permanent; awake if it died later with the key off
//	dead live live  any   any      accessory
//	dead dead live  any   any      ignition
//	dead  -   live  any   any      not proven: ignition or accessory (accessory not seen)
//	dead dead dead  live  dead     start-only
//	dead dead dead  any   live     engine-running
//	dead dead dead  dead  dead     none; not proven where start or running was not reached
//
// What changes while the key does not move is set apart first: pairs of changes
// that interrupt a state. On a slot that follows the key they are lost contacts
// (seen: intermittent); on one that does not, a few deliberate ones are a
// switch, many or short ones an intermittent slot.

const (
	// followsWithin is how long after a move of the key a slot may take to
	// follow: a relay's pull-in and a control unit's reaction.
	followsWithin = 350 * time.Millisecond
	// followsBefore allows for the uncertainty of the key's own instant.
	followsBefore = 60 * time.Millisecond
	// slackMost bounds what the uncertainty of the instants may add to both.
	slackMost = 100 * time.Millisecond
	// chargesWithin is followsWithin for the end of cranking: an alternator or
	// an oil pressure takes longer.
	chargesWithin = 1500 * time.Millisecond
	// byHand is the least time a person leaves a switch in a position.
	byHand = 500 * time.Millisecond
	// handMax is the most operations of a switch in one cycle that are a
	// person's; more are an intermittent contact's.
	handMax = 4
	// lossesMin is how many interruptions make a slot that does not follow the
	// key intermittent rather than permanent.
	lossesMin = 4
	// shortLoss is the longest loss of contact that is one wherever it falls.
	shortLoss = time.Second
	// offLast is the part of the time before the first move that tells whether a
	// slot is live with the key off: the vehicle may have woken up before.
	offLast = time.Second
)

// leadStory is what was seen of one lead, or of a slot.
type leadStory struct {
	initial State
	moves   []Transition
	blind   []span
}

// keyStory is where the key stood while that was seen.
type keyStory struct {
	moves         []KeyMoved
	from, to      adc.Instant
	seesAccessory bool // a lead tells of the accessory position
}

// joinLeads makes one story of a slot's leads: the slot is live while any of
// its leads is.
func joinLeads(leads []leadStory) leadStory {
	if len(leads) == 1 {
		return leads[0]
	}
	type move struct {
		lead int
		Transition
	}
	var all []move
	out := leadStory{initial: Dead}
	state := make([]State, len(leads))
	for i, l := range leads {
		state[i] = l.initial
		for _, t := range l.moves {
			all = append(all, move{i, t})
		}
		out.blind = append(out.blind, l.blind...)
	}
	anyOf := func() State {
		switch {
		case slices.Contains(state, Live):
			return Live
		case slices.Contains(state, Unknown):
			return Unknown
		}
		return Dead
	}
	out.initial = anyOf()
	slices.SortStableFunc(all, func(a, b move) int { return int(min(max(a.At-b.At, -1), 1)) })
	for _, m := range all {
		before := anyOf()
		state[m.lead] = m.State
		if now := anyOf(); now != before && now != Unknown {
			m.State = now
			out.moves = append(out.moves, m.Transition)
		}
	}
	return out
}

// decide fills in what the slot does.
func decide(r *SlotResult, s leadStory, k keyStory) {
	v := visit(k)
	base, losses, pulses := s.setApart(k)
	t := base.table(k)
	r.Behaviour, r.Possible, r.DecidedBy = read(t, v, k)
	follows := r.Behaviour != Permanent && r.Behaviour != None && r.Behaviour != Awake &&
		!(r.Behaviour == NotProven && !t.live(adc.On))
	switch {
	case len(losses)+len(pulses) == 0:
	case follows:
		r.Seen |= SeenIntermittent
	case r.Behaviour == Permanent || r.Behaviour == Awake:
		r.Seen |= SeenIntermittent
		if len(losses) >= lossesMin {
			r.Behaviour, r.Possible, r.DecidedBy = Intermittent, nil, nil
		}
	case deliberate(pulses):
		r.Behaviour, r.Possible, r.DecidedBy = SwitchOperated, nil, nil
	default:
		r.Behaviour, r.Possible, r.DecidedBy = Intermittent, nil, nil
		r.Seen |= SeenIntermittent
	}
	base.start(r, k)
	base.staysOn(r, k)
}

// deliberate reports whether interruptions look like a person at a switch.
func deliberate(pulses []span) bool {
	if len(pulses) > handMax {
		return false
	}
	for i, p := range pulses {
		if p.to.Sub(p.from) < byHand || (i > 0 && p.from.Sub(pulses[i-1].to) < byHand) {
			return false
		}
	}
	return true
}

// follows reports whether a change may be the slot following the key. A slot
// that waits for the charging after the start may be later, if nothing but the
// key ends it again: next is its next change, nil if there is none.
func (k keyStory) follows(t Transition, next *Transition) bool {
	for i, m := range k.moves {
		late := followsWithin
		if m.Position == adc.Running && t.State == Live && (next == nil || k.follows(*next, nil)) {
			late = chargesWithin
		}
		slack := min(time.Duration(2*max(m.U, t.U)), slackMost)
		if t.At >= m.At.Add(-followsBefore-slack) && t.At <= m.At.Add(late+slack) {
			return true
		}
		if m.Position == adc.Start {
			// While the battery is down, relays drop and come back.
			if end := k.end(i); t.At > m.At && t.At < end.Add(late) {
				return true
			}
		}
	}
	return false
}

// end returns when the i-th position was left.
func (k keyStory) end(i int) adc.Instant {
	if i+1 < len(k.moves) {
		return k.moves[i+1].At
	}
	return k.to
}

// setApart takes the interruptions out of a story: losses are stretches without
// volts in a live slot, pulses stretches of volts in a dead one, both begun and
// ended while the key did not move.
func (s leadStory) setApart(k keyStory) (base leadStory, losses, pulses []span) {
	base = leadStory{initial: s.initial, blind: s.blind}
	follows := make([]bool, len(s.moves)+1)
	for i := len(s.moves) - 1; i >= 0; i-- {
		var next *Transition
		if i+1 < len(s.moves) {
			next = &s.moves[i+1]
		}
		follows[i] = k.follows(s.moves[i], next)
	}
	for i := 0; i < len(s.moves); i++ {
		t := s.moves[i]
		if i+1 == len(s.moves) || !interrupts(t, s.moves[i+1], follows[i], follows[i+1], k) {
			base.moves = append(base.moves, t)
			continue
		}
		pair := span{t.At, s.moves[i+1].At}
		if t.State == Dead {
			losses = append(losses, pair)
		} else {
			pulses = append(pulses, pair)
		}
		i++
	}
	return base, losses, pulses
}

// interrupts reports whether two changes in a row are an interruption: neither
// follows the key. A short loss is one even if one of its ends happens to fall
// near a move; the end of a pulse may fall on key-off only while the key is not
// off yet.
func interrupts(t, next Transition, follows, nextFollows bool, k keyStory) bool {
	if t.State == Dead && next.At.Sub(t.At) < shortLoss {
		return !(follows && nextFollows)
	}
	return !follows && (!nextFollows || (t.State == Live && k.keyOff() == 0))
}

// keyOff returns when the key was last turned off; 0 if it is not off.
func (k keyStory) keyOff() adc.Instant {
	if n := len(k.moves); n > 0 && k.moves[n-1].Position == adc.Off {
		return k.moves[n-1].At
	}
	return 0
}

// truthTable tells in which positions a slot was live and in which dead; a
// position can be both, or neither where it was not visited or not seen.
type truthTable struct {
	lives, deads [adc.Running + 1]time.Duration
	offLast      State // state at the end of the watch, key off
}

func (t truthTable) live(p adc.Position) bool { return t.lives[p] > t.deads[p] }
func (t truthTable) dead(p adc.Position) bool { return t.deads[p] > t.lives[p] }
func (t truthTable) seen(p adc.Position) bool { return t.lives[p]+t.deads[p] > 0 }

// table adds up how long the slot was live and dead in each position. Off
// counts before the first move only: what a slot does after key-off is another
// matter.
func (s leadStory) table(k keyStory) truthTable {
	var t truthTable
	count := func(p adc.Position, from, to adc.Instant) {
		state, at := s.initial, from
		add := func(until adc.Instant) {
			d := max(0, min(until, to).Sub(max(at, from)))
			switch state {
			case Live:
				t.lives[p] += d
			case Dead:
				t.deads[p] += d
			}
		}
		for _, m := range s.moves {
			if m.At > from {
				add(m.At)
			}
			state, at = m.State, max(m.At, from)
		}
		add(to)
	}
	if len(k.moves) > 0 {
		count(adc.Off, max(k.from, k.moves[0].At.Add(-offLast)), k.moves[0].At.Add(-followsBefore))
	}
	for i, m := range k.moves {
		if m.Position == adc.Off {
			continue
		}
		from, to := m.At, k.end(i)
		if settle := from.Add(followsWithin); settle < to {
			from = settle
		}
		if p := m.Position; p != adc.Off {
			count(p, from, to)
		}
	}
	t.offLast = s.initial
	if n := len(s.moves); n > 0 {
		t.offLast = s.moves[n-1].State
	}
	return t
}

// visit tells which positions the key was in.
func visit(k keyStory) (v [adc.Running + 1]bool) {
	for _, m := range k.moves {
		v[m.Position] = true
	}
	return v
}

// read reads the table in this file's head.
func read(t truthTable, visited [adc.Running + 1]bool, k keyStory) (b Behaviour, possible []Behaviour, by []adc.Position) {
	switch {
	case t.live(adc.Off):
		if k.keyOff() != 0 && t.offLast == Dead {
			return Awake, nil, nil
		}
		return Permanent, nil, nil
	case t.live(adc.Accessory):
		return AccessoryFeed, nil, nil
	case t.live(adc.On) && t.dead(adc.Accessory):
		return Ignition, nil, nil
	case t.live(adc.On):
		return NotProven, []Behaviour{Ignition, AccessoryFeed}, []adc.Position{adc.Accessory}
	case t.live(adc.Running):
		if visited[adc.On] || t.dead(adc.Start) {
			return EngineRunning, nil, nil
		}
		return NotProven, []Behaviour{Ignition, AccessoryFeed, EngineRunning}, []adc.Position{adc.On}
	case t.live(adc.Start):
		if visited[adc.On] {
			return StartOnly, nil, nil
		}
		return NotProven, []Behaviour{Ignition, AccessoryFeed, StartOnly}, []adc.Position{adc.On}
	}
	return readDead(visited, t)
}

// readDead reads the table's last line: no volts in any position seen.
func readDead(visited [adc.Running + 1]bool, t truthTable) (Behaviour, []Behaviour, []adc.Position) {
	possible := []Behaviour{None}
	var by []adc.Position
	missing := func(p adc.Position, b Behaviour) {
		if !visited[p] || !t.seen(p) {
			possible = append(possible, b)
			by = append(by, p)
		}
	}
	missing(adc.On, Ignition)
	missing(adc.Start, StartOnly)
	missing(adc.Running, EngineRunning)
	if len(by) == 0 {
		return None, nil, nil
	}
	return NotProven, possible, by
}

// start tells what the slot did while the engine cranked.
func (s leadStory) start(r *SlotResult, k keyStory) {
	t := s.table(k)
	if !t.seen(adc.Start) {
		return
	}
	r.HasStart = true
	r.OffInStart = t.dead(adc.Start) && (t.live(adc.On) || t.live(adc.Off) || t.live(adc.Accessory))
}

// staysOn tells how long the slot stayed live after key-off, for slots that
// were live then and do not stay so for good.
func (s leadStory) staysOn(r *SlotResult, k keyStory) {
	off := k.keyOff()
	if off == 0 || r.Behaviour == Permanent || r.Behaviour == None || r.Behaviour == Intermittent {
		return
	}
	state := s.initial
	for _, m := range s.moves {
		if m.At >= off.Add(-followsBefore) && m.State == Dead && state == Live {
			r.StaysOn, r.HasStaysOn = max(0, m.At.Sub(off)), true
			// Two independent instants (JCGM 100:2008, 5.1.2).
			r.StaysOnU = time.Duration(math.Hypot(float64(m.U), float64(k.moves[len(k.moves)-1].U)))
		}
		state = m.State
	}
	if state == Live && !r.HasStaysOn {
		r.StaysOn, r.HasStaysOn, r.StaysOnOpen = k.to.Sub(off), true, true
		r.StaysOnU = k.moves[len(k.moves)-1].U
	}
}
