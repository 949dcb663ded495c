package measure

import (
	"slices"
	"time"

	"keyturn/adc"
)

// This file keeps the life of a key cycle: it begins with the first position
// other than off, is revised as things become known, and becomes final when all
// slots have settled, the watch after key-off is over, the next cycle begins,
// or the inputs end.

// reviseEvery is how often at most an open cycle is revised by what happens in
// it; a move of the key revises it at once.
const reviseEvery = 2 * time.Second

// A cycle in which things go on happening is revised ever more rarely: each so many
// revisions add reviseEvery to the pause, up to reviseMost.
const (
	reviseSlower = 8
	reviseMost   = time.Minute
)

// settleFor is how long every slot must have been dead, and the key off, before
// the cycle is settled.
const settleFor = 2 * time.Second

// offBefore is how much of the time with the key off goes to a cycle that begins while
// the one before is watched: enough to see what is live without the key. Of a shorter time
// each gets half.
const offBefore = time.Second

// blindMax bounds the blind stretches kept per lead and cycle; later ones
// lengthen the last.
const blindMax = 64

// cycleTracker gathers what belongs to the open cycle.
type cycleTracker struct {
	open     bool
	began    adc.Instant
	revision int
	revised  adc.Instant
	changed  bool // something happened since the last revision
	keyOff   adc.Instant
	restless adc.Instant // when a slot was last not dead
	endAsked bool        // somebody wants no more watching
	notes    []Note

	watched adc.Instant // watching since: the last final, or the first state
	initial []State     // per lead, when the watch began
	keys    []KeyMoved  // of this cycle, in the order of time
	cranks  [][]Crank   // per lead
	blinds  [][]span    // per lead

	position adc.Position      // where the key is
	arrived  adc.Instant       // since when it can be looked at
	levels   [][]PositionLevel // per lead
	waves    []*Wave           // per lead; nil for none
}

func newCycleTracker(p *Params) cycleTracker {
	n := len(p.Leads)
	return cycleTracker{initial: make([]State, n), cranks: make([][]Crank, n), blinds: make([][]span, n),
		levels: make([][]PositionLevel, n), waves: make([]*Wave, n)}
}

// blind notes that a lead could not be seen; the stretch ends with its next
// judged sample.
func (c *cycleTracker) blind(lead int, since, at adc.Instant) {
	b := c.blinds[lead]
	if len(b) == blindMax {
		b[len(b)-1].to = at
		return
	}
	c.blinds[lead] = append(b, span{since, at})
}

// NotesMax bounds the notes of a cycle; later ones are refused.
const NotesMax = 64

// note writes into the open cycle.
func (c *cycleTracker) note(e *Engine, n Note) {
	if !c.open || len(c.notes) == NotesMax {
		e.refuse(-1, "note without an open key cycle, or beyond the most it may have")
		return
	}
	c.notes = append(c.notes, n)
	c.revise(e, NotEnded)
}

// keyMoved takes a move of the key: it may begin or close a cycle.
func (c *cycleTracker) keyMoved(e *Engine, m KeyMoved) {
	guard := max(moveGuard, 2*m.U)
	defer func() { c.position, c.arrived = m.Position, m.At.Add(guard) }()
	if m.Position != adc.Off && (!c.open || c.keyOff != 0) {
		if c.open {
			c.close(e, NextCycle, m.At.Add(-min(m.At.Sub(c.keyOff)/2, offBefore)))
		}
		c.takeLevels(e, m.At.Add(-guard))
		c.open, c.began, c.revision, c.keyOff, c.endAsked = true, m.At, 0, 0, false
		c.keys = append(c.keys[:0:0], m)
		c.revise(e, NotEnded)
		return
	}
	if !c.open {
		return
	}
	c.takeLevels(e, m.At.Add(-guard))
	c.keys = append(c.keys, m)
	if m.Position == adc.Off {
		c.keyOff = m.At
		e.quiescence.begin(m.At)
	}
	c.revise(e, NotEnded)
}

// tidy revises and closes as time passes.
func (c *cycleTracker) tidy(e *Engine) {
	if c.watched == 0 {
		c.watch(e, e.now)
	}
	c.followBlinds(e)
	if !c.open {
		return
	}
	if c.keyOff != 0 {
		switch since := e.now.Sub(c.keyOff); {
		case since >= e.p.WatchFor || c.endAsked:
			c.close(e, Watched, e.now)
			return
		case !c.settled(e):
			c.restless = e.now
		case since > settleFor && e.now.Sub(c.restless) > settleFor:
			c.close(e, Settled, e.now)
			return
		}
	}
	if c.changed && e.now.Sub(c.revised) >= min(reviseEvery*time.Duration(1+c.revision/reviseSlower), reviseMost) {
		c.revise(e, NotEnded)
	}
}

// followBlinds lengthens the blind stretches that go on.
func (c *cycleTracker) followBlinds(e *Engine) {
	for i := range e.leads {
		l := &e.leads[i]
		if c.initial[i] == Unknown && !l.blind && l.state != Unknown && len(l.trans) == 0 && len(l.edges) == 0 {
			c.initial[i] = l.state
		}
		if b := c.blinds[i]; l.blind && len(b) > 0 {
			b[len(b)-1].to = e.now
		}
	}
}

// settled reports whether nothing is left to wait for: every slot is dead, and no
// lead measures a current, which is followed for as long as the watch allows.
func (c *cycleTracker) settled(e *Engine) bool {
	if e.quiescence.lead != NoLead {
		return false
	}
	for _, s := range e.p.Slots {
		for _, sl := range s.Leads {
			if l := &e.leads[sl.Lead]; l.state != Dead || len(l.edges) > 0 || l.unsent() {
				return false
			}
		}
	}
	return true
}

func (l *lead) unsent() bool {
	n := len(l.trans)
	return n > 0 && !l.trans[n-1].sent
}

// watch begins a new watch: all that is measured from here on belongs to the
// next cycle.
func (c *cycleTracker) watch(e *Engine, at adc.Instant) {
	c.watched = at
	for i := range e.leads {
		l := &e.leads[i]
		c.initial[i] = l.state
		if l.blind {
			c.initial[i] = l.blindBefore
		}
		l.trans, l.leftOut = l.trans[:0], 0
		l.seen = 0
		if l.pulse.on {
			l.seen = SeenPulsed
		}
		c.cranks[i], c.levels[i], c.waves[i] = nil, nil, nil
		c.blinds[i] = nil
		if l.blind {
			c.blinds[i] = []span{{at, at}}
		}
	}
}

// close makes the open cycle final.
func (c *cycleTracker) close(e *Engine, why Ended, at adc.Instant) {
	if !c.open {
		return
	}
	e.crank.finish(e)
	if c.keyOff == 0 {
		c.takeLevels(e, at)
	}
	c.followBlinds(e)
	late := takeLate(e, at)
	c.revise(e, why)
	c.open, c.keys, c.notes = false, nil, nil
	e.quiescence.on = false
	c.watch(e, at)
	for i, ts := range late {
		if len(ts) > 0 {
			c.initial[i], e.leads[i].trans = opposite(ts[0].State), ts
		}
	}
}

// takeLate takes from each lead the transitions from an instant on: they belong to the
// next cycle. Relays move before the key is known to have done so.
func takeLate(e *Engine, from adc.Instant) [][]transition {
	late := make([][]transition, len(e.leads))
	for i := range e.leads {
		l := &e.leads[i]
		k := len(l.trans)
		for k > 0 && l.trans[k-1].At >= from {
			k--
		}
		late[i], l.trans = slices.Clone(l.trans[k:]), l.trans[:k]
	}
	return late
}

// revise emits the cycle as it stands.
func (c *cycleTracker) revise(e *Engine, ended Ended) {
	c.revision++
	c.revised, c.changed = e.now, false
	out := &Cycle{
		Quiescent: e.quiescence.result(),

		Begin: c.began, Revision: c.revision, Final: ended != NotEnded, Ended: ended,
		Key: append([]KeyMoved(nil), c.keys...), Notes: append([]Note(nil), c.notes...),
	}
	k := keyStory{moves: out.Key, from: c.watched, to: e.now, seesAccessory: e.key.lead[onTerminal75] != NoLead}
	for i := range e.p.Slots {
		s := c.slot(e, i, k)
		for n := range s.Leads {
			c.atLast(&s.Leads[n], out.Final)
		}
		out.Slots = append(out.Slots, s)
	}
	if b := e.crank.battery; b != NoLead {
		out.Battery = &LeadResult{Lead: b, Cranks: append([]Crank(nil), c.cranks[b]...)}
		c.atLast(out.Battery, out.Final)
	}
	e.emit(out)
}

// slot puts together what the cycle shows of one slot.
func (c *cycleTracker) slot(e *Engine, i int, k keyStory) SlotResult {
	r := SlotResult{Slot: i}
	var stories []leadStory
	for _, sl := range e.p.Slots[i].Leads {
		l := &e.leads[sl.Lead]
		lr := LeadResult{Lead: sl.Lead, Before: c.initial[sl.Lead], LeftOut: l.leftOut, Cranks: append([]Crank(nil), c.cranks[sl.Lead]...)}
		for _, t := range l.trans {
			lr.Transitions = append(lr.Transitions, t.Transition)
		}
		r.Leads = append(r.Leads, lr)
		r.Seen |= l.seen
		stories = append(stories, leadStory{initial: c.initial[sl.Lead], moves: lr.Transitions, blind: c.blinds[sl.Lead]})
	}
	if r.Seen&SeenPulsed != 0 {
		r.Seen &^= SeenTestPulses | SeenSpikes | SeenRunDown // the same switching, before it was known
	}
	s := joinLeads(stories)
	decide(&r, s, k)
	r.Watched = k.to.Sub(k.from)
	for _, b := range s.blind {
		r.Watched -= b.to.Sub(b.from)
	}
	return r
}

// lostSince reports whether the lead was blind at any time since an instant.
func (l *lead) lostSince(at adc.Instant) bool { return l.blind || l.sawAgain > at }
