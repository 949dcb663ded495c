package config

import (
	"cmp"
	"fmt"
	"slices"
)

// Round is how the leads of a bench and the fuses of a box are for one key cycle of the
// test of a box. A box with more slots than the bench has places is tested in rounds; the
// leads of the first place stay where they are, and what they see in every round joins
// the rounds.
type Round struct {
	Number int // from 1
	Places []Placed
}

// Placed is a place of the bench, which its bench file calls a slot: a lead or two, with
// test load and bleed resistor where it has them.
type Placed struct {
	Place string
	Slot  string // of the box
	Fuse  string // in, out
	// Moved: its leads were elsewhere in the round before. Fitted: the fuse was the other
	// way, or the slot has only just got its leads.
	Moved, Fitted bool
}

// Rounds plans the test of a box on the places of a bench. What the box refuses, and what
// needs a vehicle's data network, gets no lead. With two leads a place each slot is
// measured with its fuse out and then in, the first ones with it in before that too: so a
// lead that has no volts with the fuse out was live before and is after. The first ones are
// slots that should be live.
//
// only, if any, are the slots to be tested. They may all be dead: so the leads are first,
// and at last, in others that should be live, of sound where it names some.
func (b *Bench) Rounds(box *Box, only, sound []string) ([]Round, error) {
	two, err := b.places()
	if err != nil {
		return nil, err
	}
	if b.Drive != nil && box.HighestV > supplyMax12V {
		return nil, fmt.Errorf("box %s is of %g V, and the relays and loads of bench %s are for 12 V: test it on a bench without [drive]", box.ID, box.HighestV, b.ID)
	}
	for _, s := range b.Slots {
		if box.Slot(s.Name) != nil {
			return nil, fmt.Errorf("bench %s has a place %q and box %s a slot of that name: name the place otherwise, for a load must never be taken for the other's", b.ID, s.Name, box.ID)
		}
	}
	for _, id := range only {
		if why := b.cannotTest(box, id); why != "" {
			return nil, fmt.Errorf("slot %s: %s", id, why)
		}
	}
	var asked, others []string
	for _, s := range box.inPlaces() {
		switch {
		case b.cannotTest(box, s.ID) != "":
		case len(only) == 0 || slices.Contains(only, s.ID):
			asked = append(asked, s.ID)
		case s.shouldBeLive() && (len(sound) == 0 || slices.Contains(sound, s.ID)):
			others = append(others, s.ID)
		}
	}
	if len(asked) == 0 {
		return nil, fmt.Errorf("box %s has no slot that this bench can test: what is avoided and what the data network switches gets no lead", box.ID)
	}
	var rounds []Round
	if len(others) > 0 {
		rounds = b.proved(box, two, asked, others)
	} else {
		rounds = b.whole(box, two, asked)
	}
	follow(rounds)
	return rounds, nil
}

// whole are the rounds in which a box is tested that nothing is known of.
func (b *Bench) whole(box *Box, two bool, asked []string) (rounds []Round) {
	for i, slots := range b.share(box, asked) {
		switch {
		case !two:
			rounds = append(rounds, b.round(slots, nil))
		case i == 0:
			rounds = append(rounds, b.round(slots, nil), b.round(slots, slots), b.round(slots, nil))
		default:
			out := slots
			if len(slots) > 1 {
				out = slots[1:] // the first place joins the rounds, as it is
			}
			rounds = append(rounds, b.round(slots, out), b.round(slots, nil))
		}
	}
	return rounds
}

// proved are the rounds in which slots are tested between two with the leads in others,
// the first of which joins them.
func (b *Bench) proved(box *Box, two bool, asked, others []string) (rounds []Round) {
	joins := box.joins(others)
	others = append([]string{joins}, slices.DeleteFunc(slices.Clone(others), func(id string) bool { return id == joins })...)
	prove := b.round(others[:min(len(others), len(b.Slots))], nil)
	rounds = append(rounds, prove)
	for part := range slices.Chunk(asked, max(1, len(prove.Places)-1)) { // no more than are proved
		slots := append([]string{joins}, part...)
		if len(b.Slots) == 1 {
			slots = part
		}
		if two {
			rounds = append(rounds, b.round(slots, part))
		}
		rounds = append(rounds, b.round(slots, nil))
	}
	prove.Places = slices.Clone(prove.Places) // follow writes into each round
	return append(rounds, prove)
}

// places checks that the bench has places for the slots of a box, and reports whether
// there are two leads in each.
func (b *Bench) places() (two bool, err error) {
	switch {
	case b.Subject != offVehicle:
		return false, fmt.Errorf("bench %s is on a vehicle: a box is tested off the vehicle, on a bench supply (subject = %q)", b.ID, offVehicle)
	case b.BoxFile != "":
		return false, fmt.Errorf("bench %s names a box file: for the test of a box its slots are places, say p1 to p6, that every box uses; remove box", b.ID)
	case len(b.Slots) == 0:
		return false, fmt.Errorf("bench %s has no places: write a [[slot]] for each, and its leads", b.ID)
	}
	for i, s := range b.Slots {
		n := len(b.LeadsIn(s.Name))
		if i == 0 {
			two = n == 2
		} else if two != (n == 2) {
			return false, fmt.Errorf("place %s of bench %s has %d leads, %s has not: give all places one lead or all two", s.Name, b.ID, n, b.Slots[0].Name)
		}
	}
	return two, nil
}

// LeadsIn are the leads of a slot, by their number in Leads.
func (b *Bench) LeadsIn(slot string) (leads []int) {
	for i := range b.Leads {
		if b.Leads[i].Role == RoleSlot && b.Leads[i].Slot == slot {
			leads = append(leads, i)
		}
	}
	return leads
}

// cannotTest says why a slot gets no lead in the test of a box; empty if it does.
func (b *Bench) cannotTest(box *Box, slot string) string {
	if why := box.Refuses(slot, b.Subject, b.AirbagUnitsAbsent); why != "" {
		return why
	}
	if box.Slot(slot).Control == ControlNetwork {
		return "needs the vehicle's data network; it cannot be tested here"
	}
	return ""
}

// inPlaces are the slots as they lie, row by row, so that leads move to neighbours.
func (b *Box) inPlaces() []BoxSlot {
	out := slices.Clone(b.Slots)
	slices.SortStableFunc(out, func(x, y BoxSlot) int { return cmp.Or(cmp.Compare(x.Row, y.Row), cmp.Compare(x.Column, y.Column)) })
	return out
}

// share lays slots out on the places, the one that joins the rounds first in each.
func (b *Bench) share(box *Box, slots []string) (out [][]string) {
	if len(slots) <= len(b.Slots) {
		return [][]string{slots}
	}
	joins := box.joins(slots)
	rest := slices.DeleteFunc(slices.Clone(slots), func(id string) bool { return id == joins })
	most := len(b.Slots) - 1
	if most == 0 {
		for _, id := range slots {
			out = append(out, []string{id})
		}
		return out // nothing joins them, and the verdict says so
	}
	slices.SortStableFunc(rest, box.provesFirst(rest, most))
	for part := range slices.Chunk(rest, most) {
		out = append(out, append([]string{joins}, part...))
	}
	return out
}

// provesFirst puts the first few slots that should be live with the key on before all
// others, which keep their order.
func (b *Box) provesFirst(slots []string, few int) func(x, y string) int {
	rank := map[string]int{}
	for _, id := range slots {
		if len(rank) < few && b.Slot(id).shouldBeLive() {
			rank[id] = -1
		}
	}
	return func(x, y string) int { return cmp.Compare(rank[x], rank[y]) }
}

// shouldBeLive reports whether a slot should be live with the key on, whatever else is
// done: a lead is proved on it.
func (s *BoxSlot) shouldBeLive() bool {
	return s.Expected == "permanent" || s.Expected == "ignition" || s.Expected == "accessory"
}

// joins is the slot that is best seen in every round: live whatever the key does.
func (b *Box) joins(slots []string) string {
	for _, does := range []string{"permanent", "ignition", "accessory"} {
		for _, id := range slots {
			if b.Slot(id).Expected == does {
				return id
			}
		}
	}
	return slots[0]
}

// round puts slots onto the places, with the fuses of some out.
func (b *Bench) round(slots, out []string) (r Round) {
	for i, id := range slots {
		p := Placed{Place: b.Slots[i].Name, Slot: id, Fuse: "in"}
		if slices.Contains(out, id) {
			p.Fuse = "out"
		}
		r.Places = append(r.Places, p)
	}
	return r
}

// follow numbers rounds and says what is another than in the one before.
func follow(rounds []Round) {
	for n := range rounds {
		rounds[n].Number = n + 1
		for i := range rounds[n].Places {
			p := &rounds[n].Places[i]
			p.Moved, p.Fitted = true, true
			if n == 0 {
				continue
			}
			if was := rounds[n-1].at(p.Place); was != nil {
				p.Moved = was.Slot != p.Slot
				p.Fitted = p.Moved || was.Fuse != p.Fuse
			}
		}
	}
}

// at is what a place has in a round; nil where it is not used.
func (r *Round) at(place string) *Placed {
	k := slices.IndexFunc(r.Places, func(p Placed) bool { return p.Place == place })
	if k < 0 {
		return nil
	}
	return &r.Places[k]
}

// LeadSides are the sides that the leads of a place go to, in their order: the feed side
// first, so that a place's load is on the load side and draws through both contacts and the
// fuse. Where the feed side is not known the left or upper is taken for it.
func (s *BoxSlot) LeadSides() []string {
	sides := slices.Clone(s.Sides())
	if len(sides) == 2 && s.FeedSide == sides[1] {
		slices.Reverse(sides)
	}
	return sides
}

// InRound is the bench as it is in a round: its places are slots of the box, with their
// sides, and what hangs free is left out. A place with an avoided slot keeps its own name
// at its lines: no load is put on that.
func (b Bench) InRound(box *Box, r Round) Bench {
	out := b
	out.Box, out.Slots, out.Leads, out.Lines = box, nil, nil, slices.Clone(b.Lines)
	out.IgnitionSlot = ""
	if stays := roundStays(box, r); stays > 0 { // the core watches as long as the script waits
		out.Limits.WatchS = max(out.Limits.WatchS, stays.Seconds())
	}
	in := map[string]Placed{}
	for _, p := range r.Places {
		in[p.Place] = p
		out.Slots = append(out.Slots, Slot{Name: p.Slot, Legend: box.Slot(p.Slot).Legend, Fuse: p.Fuse})
	}
	seen := map[string]int{}
	for _, l := range b.Leads {
		if l.Role == RoleSlot {
			p, here := in[l.Slot]
			if !here {
				continue
			}
			l.Slot = p.Slot
			if l.Side != "" {
				l.Side = box.Slot(p.Slot).LeadSides()[seen[p.Slot]]
				seen[p.Slot]++
			}
		}
		out.Leads = append(out.Leads, l)
	}
	for i := range out.Lines {
		l := &out.Lines[i]
		if p, here := in[l.Slot]; here && box.Slot(p.Slot).Avoid == AvoidNo {
			if l.Side != "" {
				k := slices.IndexFunc(b.LeadsIn(l.Slot), func(n int) bool { return b.Leads[n].Side == l.Side })
				l.Side = box.Slot(p.Slot).LeadSides()[k]
			}
			l.Slot = p.Slot
		}
	}
	return out
}
