package evidence

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"keyturn/daemon/config"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// BoxSlots are the slots of a box with what the box file expects of them and what key
// cycles show of them, each a round. It fails where the cycles are not of one test of
// this box. Whether a slot may bear a lead, airbagUnitsAbsent helps to decide (see
// config.Box.Refuses).
func BoxSlots(cycles []*protocol.Cycle, box *config.Box, airbagUnitsAbsent bool) ([]judge.BoxSlot, error) {
	cycles, err := rounds(cycles, box)
	if err != nil {
		return nil, err
	}
	out := Unmeasured(box, cycles[0].Subject, airbagUnitsAbsent)
	proofs := prove(cycles)
	for i := range out {
		s := &out[i]
		for n, c := range cycles {
			k := slices.IndexFunc(c.Slots, func(x protocol.CycleSlot) bool { return x.Slot == s.Name })
			if k >= 0 {
				s.Rounds = append(s.Rounds, round(c, &c.Slots[k], n, proofs))
			}
		}
	}
	return out, nil
}

// Unmeasured are the slots of a box with what the box file expects of them, before any
// round.
func Unmeasured(box *config.Box, subject protocol.Subject, airbagUnitsAbsent bool) (out []judge.BoxSlot) {
	for i := range box.Slots {
		b := &box.Slots[i]
		s := judge.BoxSlot{Name: b.ID, Match: b.Kind, Expected: expected(b), Network: b.Control == config.ControlNetwork && subject == protocol.OffVehicle}
		if box.Refuses(b.ID, string(subject), airbagUnitsAbsent) != "" {
			s.Avoid = b.Avoid
		}
		out = append(out, s)
	}
	return out
}

func expected(b *config.BoxSlot) judge.Expected {
	e := judge.Expected{Behaviour: judge.Behaviour(b.Expected), StaysOnMinS: b.StaysOnMinS, StaysOnMaxS: b.StaysOnMaxS, OffInStart: b.OffInStart, FeedSide: b.FeedSide}
	if b.Blades() == 3 {
		e.FeedSide = judge.Middle
	}
	return e
}

// rounds are the key cycles of a test in the order in which they were measured, each in
// its last revision.
func rounds(cycles []*protocol.Cycle, box *config.Box) ([]*protocol.Cycle, error) {
	var out []*protocol.Cycle
	for _, c := range cycles {
		k := slices.IndexFunc(out, func(x *protocol.Cycle) bool { return x.Bench == c.Bench && x.ID == c.ID })
		switch {
		case k < 0:
			out = append(out, c)
		case c.Revision > out[k].Revision:
			out[k] = c
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("judge box %s: no key cycle", box.ID)
	}
	for _, c := range out {
		switch {
		case !c.Final:
			return nil, fmt.Errorf("key cycle %s is not over: revision %d is not final; give its last one", c.ID, c.Revision)
		case c.Subject != out[0].Subject:
			return nil, fmt.Errorf("key cycle %s is of a subject %q, %s of %q: judge them apart", c.ID, c.Subject, out[0].ID, out[0].Subject)
		}
		for i := range c.Slots {
			if box.Slot(c.Slots[i].Slot) == nil {
				return nil, fmt.Errorf("key cycle %s has a slot %q that box %s does not have: give the file of the box that was measured", c.ID, c.Slots[i].Slot, box.ID)
			}
		}
	}
	given := slices.Clone(out)
	first := func(c *protocol.Cycle) int {
		return slices.IndexFunc(given, func(x *protocol.Cycle) bool { return oneStream(x, c) })
	}
	slices.SortStableFunc(out, func(a, b *protocol.Cycle) int {
		return cmp.Or(cmp.Compare(first(a), first(b)), cmp.Compare(a.Seq, b.Seq))
	})
	return out, nil
}

// oneStream reports whether two key cycles are by one bench, so that a lead of one name is
// one lead, and which came first is known.
func oneStream(a, b *protocol.Cycle) bool { return a.Bench == b.Bench && a.Stream == b.Stream }

// proof is a key cycle in which a lead was live.
type proof struct {
	lead  string
	cycle *protocol.Cycle
}

// prove finds where each lead was live. Live is judged against the battery sense lead: it
// is the known supply, and without it nothing is proven.
func prove(cycles []*protocol.Cycle) (out []proof) {
	for _, c := range cycles {
		if c.Battery == nil {
			continue
		}
		for i := range c.Slots {
			for k := range c.Slots[i].Leads {
				if l := &c.Slots[i].Leads[k]; wasLive(l) {
					out = append(out, proof{l.Lead, c})
				}
			}
		}
	}
	return out
}

func wasLive(l *protocol.CycleLead) bool {
	return l.StateBefore == protocol.Live || slices.ContainsFunc(l.Transitions, func(t protocol.Transition) bool { return t.State == protocol.Live })
}

// proven reports whether a lead was live in a key cycle, or in one before and one after.
func proven(proofs []proof, lead string, c *protocol.Cycle) bool {
	before, after := false, false
	for _, p := range proofs {
		if p.lead != lead || !oneStream(p.cycle, c) {
			continue
		}
		before = before || p.cycle.Seq <= c.Seq
		after = after || p.cycle.Seq >= c.Seq
	}
	return before && after
}

// round is what one key cycle shows of a slot.
func round(c *protocol.Cycle, s *protocol.CycleSlot, n int, proofs []proof) judge.Round {
	r := judge.Round{Slot: slot(c, s), Number: n + 1, Fuse: judge.Fuse(s.Fuse), Battery: dip(report.BatterySag(c)), Amiss: amiss(s), Source: source(s.Source)}
	if c.CrankSource == protocol.CrankContactOnly && r.OffInStart != nil && !*r.OffInStart {
		r.OffInStart = nil // what drops out at low voltage could not show
	}
	if slices.Contains(s.Seen, protocol.SeenGhost) {
		r.Amiss = append(r.Amiss, judge.Ghost)
	}
	for _, k := range c.Key {
		r.Positions = append(r.Positions, string(k.Position))
	}
	for i := range s.Leads {
		l := &s.Leads[i]
		x := judge.Side{Name: string(l.Side), Proven: proven(proofs, l.Lead, c)}
		for k := range c.Key {
			switch stateAt(l, endOf(c, k)) {
			case protocol.Live:
				x.LiveIn = append(x.LiveIn, r.Positions[k])
			case protocol.Dead:
				if !switchedOff(c, s, l, k) {
					x.DeadIn = append(x.DeadIn, r.Positions[k])
				}
			}
		}
		r.Leads = append(r.Leads, x)
	}
	return r
}

// switchedOff reports whether a lead has no volts in the k-th position because the whole
// slot has none, though the lead was live when the key was there another time: its own
// switch was worked, and that says nothing of this side.
func switchedOff(c *protocol.Cycle, s *protocol.CycleSlot, l *protocol.CycleLead, k int) bool {
	for i := range s.Leads {
		if stateAt(&s.Leads[i], endOf(c, k)) == protocol.Live {
			return false
		}
	}
	for n := range c.Key {
		if c.Key[n].Position == c.Key[k].Position && stateAt(l, endOf(c, n)) == protocol.Live {
			return true
		}
	}
	return false
}

// beforeMoveNS is how much earlier than the key's next move a position is looked at: what
// follows the key may be dated before it (measure allows as much).
const beforeMoveNS = 60e6

// endOf is the instant at which the k-th position is looked at: when what follows the key
// has followed.
func endOf(c *protocol.Cycle, k int) int64 {
	if k+1 == len(c.Key) {
		return c.MonoNS
	}
	next := &c.Key[k+1]
	return next.AtNS - int64(max(beforeMoveNS, 2e3*math.Abs(float64(next.UUS))))
}

// stateAt is the state of a lead at an instant; unknown where a transition may fall on
// either side of it, and where transitions are not listed.
func stateAt(l *protocol.CycleLead, at int64) protocol.State {
	if l.LeftOut > 0 {
		return protocol.Unknown
	}
	state := l.StateBefore
	for i := range l.Transitions {
		switch t := &l.Transitions[i].Edge; {
		case t.NotAfterNS <= at:
			state = t.State
		case t.NotBeforeNS < at:
			return protocol.Unknown
		}
	}
	return state
}

// source is what was found behind a slot's volts; nil where there were none to be tested.
func source(s *protocol.SlotSource) *judge.Source {
	if s == nil || s.Finding == protocol.SourceNone {
		return nil
	}
	out := &judge.Source{Ghost: s.Finding == protocol.SourceGhost}
	if s.PathMOhm != nil && s.PathUMOhm != nil {
		out.Path = &judge.Path{MOhm: float64(*s.PathMOhm), UMOhm: float64(*s.PathUMOhm), IncludesProbe: s.IncludesProbe}
	}
	return out
}
