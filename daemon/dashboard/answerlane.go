package dashboard

import (
	"slices"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// withAnswers puts below each slot of a key cycle a lane that shows what was answered: when
// the slot would have been live if it did that, by the moves of the key that were measured.
// What does not follow the key has no such lane, and stands in words only.
func (a *asked) withAnswers(c *protocol.Cycle) *protocol.Cycle {
	out := *c
	out.Slots = nil
	questions := a.questions()
	for _, s := range c.Slots {
		out.Slots = append(out.Slots, s)
		for i := range questions {
			q := &questions[i]
			if q.Asks != judge.AsksBehaviour || q.Slot != s.Slot {
				continue
			}
			if said, err := q.Read(a.sheet.Answer(q.ID).Text); err == nil {
				if lane, ok := answerLane(c, s.Slot, protocol.Behaviour(said.Behaviour)); ok {
					out.Slots = append(out.Slots, lane)
				}
			}
		}
	}
	return &out
}

// answerLane is a slot that does what was answered, the moment the key moves.
func answerLane(c *protocol.Cycle, slot string, b protocol.Behaviour) (s protocol.CycleSlot, ok bool) {
	live, ok := liveIn(b)
	if !ok {
		return s, false
	}
	s = protocol.CycleSlot{Slot: slot, Legend: "as answered", Behaviour: b, DINTerminal: protocol.TerminalOf(b), WatchedS: 1}
	lead := protocol.CycleLead{StateBefore: protocol.Dead}
	if b == protocol.Permanent {
		lead.StateBefore = protocol.Live
	}
	state := lead.StateBefore
	for _, k := range c.Key {
		next := protocol.Dead
		if slices.Contains(live, k.Position) {
			next = protocol.Live
		}
		if next != state {
			state = next
			lead.Transitions = append(lead.Transitions, protocol.Transition{Edge: protocol.Edge{State: next, AtNS: k.AtNS, NotBeforeNS: k.AtNS, NotAfterNS: k.AtNS, Timing: protocol.TimingCurve}})
		}
	}
	s.Leads = append(s.Leads, lead)
	return s, true
}

// liveIn is in which positions of the key a slot of a behaviour is live; false for one that
// does not follow the key alone.
func liveIn(b protocol.Behaviour) ([]protocol.Position, bool) {
	const off, accessory, on, start, running = protocol.PositionOff, protocol.PositionAccessory, protocol.PositionOn, protocol.PositionStart, protocol.PositionRunning
	switch b {
	case protocol.Permanent:
		return []protocol.Position{off, accessory, on, start, running}, true
	case protocol.Accessory:
		return []protocol.Position{accessory, on, start, running}, true
	case protocol.Ignition:
		return []protocol.Position{on, start, running}, true
	case protocol.StartOnly:
		return []protocol.Position{start}, true
	case protocol.EngineRunning:
		return []protocol.Position{running}, true
	case protocol.NoVolts:
		return nil, true
	}
	return nil, false
}
