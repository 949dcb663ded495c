package dashboard

import (
	"slices"

	"keyturn/daemon/config"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// withAnswers puts below each slot of a key cycle a lane that shows what was answered: when
// the slot would have been live if it did that, by the moves of the key that were measured.
// What does not follow the key has no such lane; undrawn says so of each.
func (a *asked) withAnswers(c *protocol.Cycle) (with *protocol.Cycle, undrawn []string) {
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
			said, err := q.Read(a.sheet.Answer(q.ID).Text)
			if err != nil || said.Blank {
				continue
			}
			if lane, ok := answerLane(c, s.Slot, protocol.Behaviour(said.Behaviour)); ok {
				out.Slots = append(out.Slots, lane)
			} else {
				undrawn = append(undrawn, clean(s.Slot)+" as answered: "+report.BehaviourName(protocol.Behaviour(said.Behaviour))+", which the key alone does not tell; it is not drawn.")
			}
		}
	}
	return &out, undrawn
}

// answerLane is a slot that does what was answered, the moment the key moves.
func answerLane(c *protocol.Cycle, slot string, b protocol.Behaviour) (s protocol.CycleSlot, ok bool) {
	live, ok := liveIn(b)
	if !ok {
		return s, false
	}
	// Nothing was watched here: the behaviour is told in the words that say no time.
	words := protocol.Behaviour(report.BehaviourName(b))
	s = protocol.CycleSlot{Slot: slot, Legend: "as answered", Behaviour: words, DINTerminal: protocol.TerminalOf(b)}
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

// asksOfStarts reports whether a question is about what cranking does.
func (e *exercise) asksOfStarts() bool {
	return slices.ContainsFunc(e.file.Questions, func(q config.Question) bool {
		return q.Asks == config.AsksLowest || q.Asks == config.AsksFeed
	})
}

// fallUnmeasured says why nothing tells how far the battery fell in the starts of a key
// cycle; empty where something does, and where there was no start.
func fallUnmeasured(c *protocol.Cycle) string {
	started := slices.ContainsFunc(c.Key, func(k protocol.KeyMove) bool { return k.Position == protocol.PositionStart })
	if !started || report.BatterySag(c) != nil {
		return ""
	}
	why := "the bench saw nothing of the battery's voltage then"
	if c.Battery == nil {
		why = "the bench has no battery sense lead"
	} else if k := slices.IndexFunc(c.Battery.Crank, func(k protocol.Crank) bool { return k.NotMeasured != "" }); k >= 0 {
		why = string(c.Battery.Crank[k].NotMeasured)
	}
	return "How far the battery fell while cranking was not measured: " + cleanTo(why, sentenceMax) + ". The instructor looks at the page Health."
}
