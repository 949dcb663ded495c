package evidence

import (
	"cmp"
	"slices"

	"keyturn/daemon/config"
	"keyturn/daemon/handbook"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// Load is what the circuit of a slot draws, and how that is known.
type Load struct {
	A     float64
	Basis judge.LoadBasis
}

// FeedSlots are the slots of a key cycle with what the box file and a person say of
// them. What the box file does not have is refused, as what it has avoided: whatever the
// key cycle was measured on, an accessory is fitted to a vehicle. loads are by slot.
func FeedSlots(c *protocol.Cycle, box *config.Box, loads map[string]Load) []judge.FeedSlot {
	var out []judge.FeedSlot
	for i := range c.Slots {
		s := &c.Slots[i]
		f := judge.FeedSlot{
			Slot: slot(c, s), OffInStartS: unfed(c, s), Below: below(s), Amiss: amiss(s),
			LoadA: loads[s.Slot].A, Basis: loads[s.Slot].Basis,
		}
		f.BeforeV, f.TroughV = beforeStart(c, s), trough(c, s)
		if x := source(s.Source); x != nil {
			f.Path = x.Path
		}
		known(&f, box)
		out = append(out, f)
	}
	return out
}

// known puts in what the box file says of a slot, with a lead or without, and first
// whether anybody may touch it on a vehicle.
func known(f *judge.FeedSlot, box *config.Box) {
	b := box.Slot(f.Name)
	if b == nil {
		f.Avoid = judge.NotInBox
		return
	}
	if box.Refuses(f.Name, string(protocol.Vehicle), false) != "" {
		f.Avoid = cmp.Or(b.Avoid, config.AvoidUnknown)
	}
	f.RatingA, f.FeedSide, f.Network = b.RatingA, b.FeedSide, b.Control == config.ControlNetwork
	f.FuseType, f.Expected = handbook.FuseType(b.Kind), judge.Behaviour(b.Expected)
	f.EngineBay = box.Zone == config.ZoneEngineBay
	if b.Blades() == 3 {
		f.FeedSide = middle
	}
}

// VehicleMA is what the vehicle itself draws asleep, in milliamperes; not known where no
// shunt monitor saw it asleep.
func VehicleMA(c *protocol.Cycle) (ma float64, known bool) {
	q := c.Quiescent
	if q == nil || q.Asleep == nil || q.CurrentMA == nil || q.NoCurrent || *q.CurrentMA < 0 {
		return 0, false
	}
	return float64(*q.CurrentMA), true
}

// unfed is how long a slot was without volts in the longest of its starts; nil where
// that was not seen from end to end.
func unfed(c *protocol.Cycle, s *protocol.CycleSlot) *judge.Time {
	var longest *judge.Time
	for i, k := range c.Key {
		if k.Position != protocol.PositionStart || i+1 == len(c.Key) {
			continue
		}
		for _, l := range s.Leads {
			if t := gap(l.Transitions, k.AtNS, c.Key[i+1].AtNS); t != nil && (longest == nil || t.S > longest.S) {
				longest = t
			}
		}
	}
	return longest
}

// earlyNS is how much earlier than the start a relay may let go: the key's own way from
// on to start.
const earlyNS = 200e6

// gap is from where a lead lost its volts during a start until it had them again.
func gap(ts []protocol.Transition, from, to int64) *judge.Time {
	for i := range ts {
		off := &ts[i].Edge
		if off.State != protocol.Dead || off.AtNS < from-earlyNS || off.AtNS > to || i+1 == len(ts) {
			continue
		}
		on := &ts[i+1].Edge
		// The brackets hold the instants; what is dated better is not needed here.
		least, most := max(0, on.NotBeforeNS-off.NotAfterNS), on.NotAfterNS-off.NotBeforeNS
		return &judge.Time{S: float64(on.AtNS-off.AtNS) * 1e-9, US: float64(most-least) / 4 * 1e-9}
	}
	return nil
}

// below is how long a slot was under each limit, in the worst of its starts.
func below(s *protocol.CycleSlot) []judge.Below {
	var out []judge.Below
	for _, l := range s.Leads {
		for _, k := range l.Crank {
			if k.Sag == nil {
				continue
			}
			for _, b := range k.Below {
				v := float64(b.V)
				i := slices.IndexFunc(out, func(x judge.Below) bool { return x.LimitV == v })
				if i < 0 {
					i = len(out)
					out = append(out, judge.Below{LimitV: v})
				}
				out[i].LeastS = max(out[i].LeastS, float64(b.MSMin)*1e-3)
				out[i].MostS = max(out[i].MostS, float64(b.MSMax)*1e-3)
			}
		}
	}
	slices.SortFunc(out, func(a, b judge.Below) int { return cmp.Compare(a.LimitV, b.LimitV) })
	return out
}

// amiss are the faults that a key cycle saw in a slot.
func amiss(s *protocol.CycleSlot) []judge.Amiss {
	var out []judge.Amiss
	for _, x := range s.Seen {
		switch x {
		case protocol.SeenPulsed:
			out = append(out, judge.Pulsed)
		case protocol.SeenIntermittent:
			out = append(out, judge.ContactLost)
		}
	}
	if s.Source != nil {
		switch s.Source.Finding {
		case protocol.SourceGhost:
			out = append(out, judge.Ghost)
		case protocol.SourceHighResistance:
			out = append(out, judge.HighResistance)
		}
	}
	return out
}
