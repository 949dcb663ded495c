package measure

import (
	"slices"
	"time"

	"keyturn/adc"
)

// This file follows the key. A position is known from, in this order: sense
// leads on terminals 75, 15, 50; the operator's or a script's marks for what no
// lead can tell; and what can be concluded: "on" from a slot known to be
// ignition-switched, "start" from the battery's own fall (crank.go), "running"
// from what the battery does once cranking has ended.

const (
	// keyHold is how long a move is held back, so that moves found late (a
	// start concluded from the battery) still come in the order of time.
	keyHold = 400 * time.Millisecond
	// keyDwell is the least stay in a position: a key turned straight through
	// it was not there.
	keyDwell = 80 * time.Millisecond
	// accessoryLeast and accessoryMost bound how long before "on" a slot went live
	// to tell of the accessory position.
	accessoryLeast = 250 * time.Millisecond
	accessoryMost  = 30 * time.Second
	// runningWithin is how long after cranking charging may take to show.
	runningWithin = 3 * time.Second
	// chargingV and chargingRiseV: a battery above this, or above its level
	// before the start by this, is being charged: the engine runs. Regulated
	// charging is 13.8 to 14.7 V, a resting battery at most 13.2 V (common
	// practice, no published source).
	chargingV, chargingRiseV = 13.4, 0.6
	// stalledV and stalledFor: a battery that was charged and stays below this
	// for so long is so no more: the engine has stopped.
	stalledV   = 13.0
	stalledFor = 500 * time.Millisecond
)

// signal is one thing the key's position follows from.
type signal uint8

const (
	onTerminal75 signal = iota
	onTerminal15
	onTerminal50
	signals
)

// keyChange is a change of one signal.
type keyChange struct {
	sig    signal
	on     bool
	at     adc.Instant
	u      time.Duration
	source adc.Source
}

// keyTracker follows the key.
type keyTracker struct {
	lead     [signals]int
	source   [signals]adc.Source
	running  int
	on       [signals]bool
	known    bool
	waiting  []keyChange // in the order of time
	position adc.Position
	moved    adc.Instant

	ran      bool        // the engine runs since the last start
	charged  bool        // charging was seen since then
	ask      bool        // cranking has ended; does the engine run?
	askSince KeyMoved    // the end of cranking
	restV    float64     // battery before the start
	low      adc.Instant // battery below stalledV since; 0 if not
}

func newKeyTracker(p *Params) keyTracker {
	k := keyTracker{running: p.Key.Running}
	k.lead = [signals]int{p.Key.Accessory, p.Key.On, p.Key.Start}
	for i := range k.source {
		k.source[i] = adc.SourceLead
	}
	if k.lead[onTerminal15] == NoLead {
		k.lead[onTerminal15], k.source[onTerminal15] = p.Key.IgnitionSlot, adc.SourceInferred
	}
	return k
}

// note takes a transition of any lead and keeps it if the key follows from it.
func (k *keyTracker) note(e *Engine, lead int, t Transition) {
	for s := range signals {
		if k.lead[s] == lead {
			k.change(keyChange{s, t.State == Live, t.At, t.U, k.source[s]})
		}
	}
	if lead == k.running && k.position == adc.Running && t.State == Dead {
		k.stop(e, t.At, t.U, adc.SourceLead)
	}
}

// change files a change of a signal in the order of time.
func (k *keyTracker) change(c keyChange) {
	i, _ := slices.BinarySearchFunc(k.waiting, c, func(a, b keyChange) int {
		return int(min(max(a.at-b.at, -1), 1))
	})
	k.waiting = slices.Insert(k.waiting, i, c)
}

// takeMark takes what a person or script says of the key, where no lead tells.
func (e *Engine) takeMark(at adc.Instant, m adc.Mark) {
	k := &e.key
	if m.Note != "" {
		e.cycle.note(e, Note{at, m.Note, m.Source})
	}
	if m.End && e.cycle.open {
		e.cycle.endAsked = true
	}
	if m.Position == adc.NoPosition {
		return
	}
	k.known = true
	u := markU
	if m.Source == adc.SourceScript {
		u = relayU
	}
	set := func(s signal, on bool) {
		if k.lead[s] == NoLead && k.on[s] != on {
			k.change(keyChange{s, on, at, u, m.Source})
		}
	}
	set(onTerminal75, m.Position != adc.Off && m.Position != adc.Start)
	set(onTerminal15, m.Position >= adc.On)
	set(onTerminal50, m.Position == adc.Start)
}

// markU is the standard uncertainty of an instant a person marks: a reaction
// time (common practice, no published source).
const markU = 200 * time.Millisecond

// relayU is that of an instant a script marks: the relay moves up to 10 ms later (data
// sheets of 12 V vehicle relays).
const relayU = 10 * time.Millisecond

// moveKey applies the changes that are old enough.
func (e *Engine) moveKey() {
	k := &e.key
	if !k.known && !k.begin(e) {
		return
	}
	for len(k.waiting) > 0 && e.now.Sub(k.waiting[0].at) >= keyHold {
		c := k.waiting[0]
		k.waiting = k.waiting[:copy(k.waiting, k.waiting[1:])]
		k.on[c.sig] = c.on
		if c.sig == onTerminal15 {
			k.inferAccessory(e, c)
		}
		if len(k.waiting) > 0 && k.waiting[0].at.Sub(c.at) < keyDwell {
			continue // turned through
		}
		p := k.read()
		if k.position == adc.Start && p == adc.On {
			if !k.ask { // else another lead has followed the same move
				k.ask, k.askSince = true, KeyMoved{adc.On, c.at, c.u, c.source}
			}
			continue
		}
		k.settle(e, false)
		k.move(e, KeyMoved{p, c.at, c.u, c.source})
	}
	k.followEngine(e)
}

// inferAccessory concludes, when "on" is reached and no lead tells of terminal
// 75, that the key was in accessory before: since the first slot went live that
// still is.
func (k *keyTracker) inferAccessory(e *Engine, c keyChange) {
	if k.lead[onTerminal75] != NoLead || k.source[onTerminal75] == adc.SourceOperator {
		return
	}
	k.on[onTerminal75] = c.on
	if !c.on || k.position != adc.Off {
		return
	}
	var first *Transition
	for _, s := range e.p.Slots {
		for _, sl := range s.Leads {
			trans := e.leads[sl.Lead].trans
			if len(trans) == 1 {
				t := &trans[0].Transition
				early := c.at.Sub(t.At)
				if t.State == Live && early > accessoryLeast && early < accessoryMost && (first == nil || t.At < first.At) {
					first = t
				}
			}
		}
	}
	if first != nil {
		k.move(e, KeyMoved{adc.Accessory, first.At, first.U, adc.SourceInferred})
	}
}

// begin finds the position at the start of everything.
func (k *keyTracker) begin(e *Engine) bool {
	for s, l := range k.lead {
		if l == NoLead {
			continue
		}
		if e.leads[l].state == Unknown {
			return false
		}
		k.on[s] = e.leads[l].state == Live
	}
	if k.lead[onTerminal15] == NoLead && k.lead[onTerminal75] == NoLead && k.lead[onTerminal50] == NoLead {
		return false
	}
	k.known = true
	k.move(e, KeyMoved{k.read(), e.now, 0, k.source[onTerminal15]})
	return true
}

// read returns the position the signals tell; On may yet be Running.
func (k *keyTracker) read() adc.Position {
	switch {
	case k.on[onTerminal50]:
		return adc.Start
	case k.on[onTerminal15] && k.ran:
		return adc.Running
	case k.on[onTerminal15]:
		return adc.On
	case k.on[onTerminal75]:
		return adc.Accessory
	}
	return adc.Off
}

func (k *keyTracker) move(e *Engine, m KeyMoved) {
	if m.Position != adc.On && m.Position != adc.Running {
		k.ran, k.charged, k.low = false, false, 0
	}
	if m.Position == k.position {
		return
	}
	k.position, k.moved = m.Position, m.At
	e.emit(&m)
	e.cycle.keyMoved(e, m)
}

// settle answers whether the engine runs since the end of cranking.
func (k *keyTracker) settle(e *Engine, runs bool) {
	if !k.ask {
		return
	}
	k.ask = false
	m := k.askSince
	if k.ran = runs; runs {
		m.Position = adc.Running
		if k.running == NoLead {
			m.Source = adc.SourceInferred
		}
	}
	k.move(e, m)
}

// followEngine concludes from the battery, or from terminal 61, whether the
// engine runs.
func (k *keyTracker) followEngine(e *Engine) {
	if e.sense.lead == NoLead || !e.sense.have || e.sense.lost {
		if k.ask && e.now.Sub(k.askSince.At) > runningWithin {
			k.settle(e, false)
		}
		return
	}
	v := e.sense.last.v
	charging := v > chargingV || (k.restV > 0 && v > k.restV+chargingRiseV)
	if k.running != NoLead {
		charging = e.leads[k.running].state == Live
	}
	switch {
	case k.ask && charging:
		k.settle(e, true)
	case k.ask && e.now.Sub(k.askSince.At) > runningWithin:
		k.settle(e, false)
	case k.position == adc.Running && k.running == NoLead:
		k.followCharge(e, v)
	}
}

// followCharge notices the end of charging.
func (k *keyTracker) followCharge(e *Engine, v float64) {
	if v > chargingV {
		k.charged = true
	}
	if !k.charged || v > stalledV || e.crank.active {
		k.low = 0
		return
	}
	if k.low == 0 {
		k.low = e.now
	}
	if e.now.Sub(k.low) >= stalledFor {
		k.stop(e, k.low, 100*time.Millisecond, adc.SourceInferred)
	}
}

// stop notes that the engine has stopped with the key still on.
func (k *keyTracker) stop(e *Engine, at adc.Instant, u time.Duration, s adc.Source) {
	k.ran, k.charged, k.low = false, false, 0
	if k.on[onTerminal15] {
		k.move(e, KeyMoved{adc.On, at, u, s})
	}
}
