package evidence

import (
	"fmt"
	"slices"

	"keyturn/daemon/config"
	"keyturn/daemon/handbook"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// FuseFlows is what flows through the fuses of slots with a lead on each side, from a key
// cycle and one of the same pairs with no current, fuse in: the null. bits are those of the
// converters, 16 or 12. Of each slot it is the key position that tells most: in which the most
// flows. It fails where the null is of other leads.
func FuseFlows(c, null *protocol.Cycle, box *config.Box, bits int) ([]judge.SlotFlow, error) {
	if c.Bench != null.Bench {
		return nil, fmt.Errorf("key cycle %s nulls nothing of %s: it is of bench %q, not of %q; give one of the same leads", null.ID, c.ID, null.Bench, c.Bench)
	}
	var out []judge.SlotFlow
	for i := range c.Slots {
		s := &c.Slots[i]
		b := box.Slot(s.Slot)
		if len(s.Leads) != 2 || s.Fuse != protocol.FuseIn || box.Refuses(s.Slot, string(c.Subject), false) != "" || b.Blades() == 3 {
			continue // with three blades both leads are behind a fuse of their own
		}
		k := slices.IndexFunc(null.Slots, func(x protocol.CycleSlot) bool { return x.Slot == s.Slot })
		if k < 0 {
			continue
		}
		n := &null.Slots[k]
		if len(n.Leads) != 2 || n.Fuse != protocol.FuseIn || !samePair(s, n) {
			return nil, fmt.Errorf("slot %s: key cycle %s is no null of it; measure the same two leads, each on its side, with fuse = \"in\" and no current", s.Slot, null.ID)
		}
		out = append(out, flow(s, n, b, bits))
	}
	return out, nil
}

// AddFlows puts what flows through their fuses into slots: the most that may is the draw of
// the circuit as it was seen, where nobody says more of it.
func AddFlows(slots []judge.FeedSlot, flows []judge.SlotFlow) {
	for i := range flows {
		f := &flows[i]
		k := slices.IndexFunc(slots, func(s judge.FeedSlot) bool { return s.Name == f.Slot })
		if k < 0 {
			continue
		}
		s := &slots[k]
		if f.Blown {
			s.Amiss = append(s.Amiss, judge.Blown)
		}
		if f.BackFed {
			s.Amiss = append(s.Amiss, judge.BackFed)
		}
		if a, known := f.MostA(); known && s.Basis == judge.LoadNotKnown {
			s.LoadA, s.Basis = a, judge.LoadSeen
		}
	}
}

func samePair(a, b *protocol.CycleSlot) bool {
	return !slices.ContainsFunc(a.Leads, func(x protocol.CycleLead) bool {
		return !slices.ContainsFunc(b.Leads, func(y protocol.CycleLead) bool { return x.Lead == y.Lead && x.Side == y.Side })
	})
}

// flow is the most that flows in a slot over its key positions.
func flow(s, null *protocol.CycleSlot, b *config.BoxSlot, bits int) judge.SlotFlow {
	out := judge.SlotFlow{Slot: s.Slot, Why: "no key position in which both leads were at rest and live, in both key cycles"}
	feed, other := &s.Leads[0], &s.Leads[1]
	if string(other.Side) == b.FeedSide {
		feed, other = other, feed
	}
	out.SideKnown = b.FeedSide != "" && string(feed.Side) == b.FeedSide
	fuse, err := handbook.ResistanceOfFuse(handbook.FuseType(b.Kind), b.RatingA)
	if err != nil {
		out.Why = err.Error()
	}
	var beyond *judge.SlotFlow // the fuse's rating
	for i := range feed.Levels {
		x := &feed.Levels[i]
		y := levelAt(other, x.Position)
		if y == nil || x.State != protocol.Live && y.State != protocol.Live {
			continue
		}
		at := judge.SlotFlow{Slot: s.Slot, Position: string(x.Position), SideKnown: out.SideKnown}
		if x.State != y.State {
			at.Blown, at.BackFed = true, at.SideKnown && y.State == protocol.Live
			return at
		}
		rest, ok := nullReading(null, feed.Lead, other.Lead, x)
		if !ok || err != nil {
			continue
		}
		f, tooMuch := judge.NullPair(reading(x, y), rest, bits).Flow(fuse)
		if tooMuch != nil {
			at.Why = tooMuch.Error()
			beyond = &at
			continue
		}
		bound, backFed := max(out.BoundA, f.MostA()), out.BackFed || out.SideKnown && f.Backwards && f.Sure
		if tells(&f, out.Flow) {
			at.Flow = &f
			out = at
		}
		out.BoundA, out.BackFed = bound, backFed
	}
	if beyond != nil {
		beyond.BackFed = out.BackFed
		return *beyond // whatever flows in the other positions
	}
	return out
}

// reading is what a pair read at rest at the same time.
func reading(feed, other *protocol.PositionLevel) judge.PairReading {
	return judge.PairReading{
		FeedV: float64(feed.V), UFeedV: float64(feed.UV), LoadV: float64(other.V), ULoadV: float64(other.UV),
		UMovedV: float64(max(feed.UMovedV, other.UMovedV)), // each is that of the difference
	}
}

// tells reports whether a flow tells more than another: one that was found, and the larger;
// of bounds the smaller.
func tells(a, b *judge.FuseFlow) bool {
	switch {
	case b == nil || a.Flows != b.Flows:
		return b == nil || a.Flows
	case a.Flows:
		return a.Current.A > b.Current.A
	}
	return a.DetectsA < b.DetectsA
}

// nullReading is what a pair read with no current: in the same position if it was at rest
// there, else where its volts were nearest.
func nullReading(null *protocol.CycleSlot, feed, other string, at *protocol.PositionLevel) (out judge.PairReading, ok bool) {
	lead := func(name string) *protocol.CycleLead {
		i := slices.IndexFunc(null.Leads, func(l protocol.CycleLead) bool { return l.Lead == name })
		return &null.Leads[i]
	}
	f, o := lead(feed), lead(other)
	for i := range f.Levels {
		x := &f.Levels[i]
		y := levelAt(o, x.Position)
		if y == nil || x.State != protocol.Live || y.State != protocol.Live {
			continue
		}
		r := reading(x, y)
		if x.Position == at.Position {
			return r, true
		}
		if !ok || apart(r.FeedV, at) < apart(out.FeedV, at) {
			out, ok = r, true
		}
	}
	return out, ok
}

func apart(v float64, at *protocol.PositionLevel) float64 {
	return max(v-float64(at.V), float64(at.V)-v)
}

// levelAt is what a lead read at rest in a position; nil where it was not at rest.
func levelAt(l *protocol.CycleLead, p protocol.Position) *protocol.PositionLevel {
	i := slices.IndexFunc(l.Levels, func(x protocol.PositionLevel) bool { return x.Position == p })
	if i < 0 {
		return nil
	}
	return &l.Levels[i]
}
