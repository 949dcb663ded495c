package judge

import "slices"

// This file reads the two sides of a slot. With the fuse out the side that is live is the
// feed, and volts on both are fed backwards; with a fuse in both are live, or it is
// blown.

// sides judges the feed side, back-feed, and both contacts.
func (v *verdict) sides() {
	leftOut := v.bench.limits.leftOut(CheckSides)
	both := v.fuseIn()
	out, whole := v.slot.unfused()
	feed, back := FeedSide(out)
	want := v.slot.Expected.FeedSide
	switch {
	case want == Middle:
		feed, back = Middle, anyLive(out)
	case len(out) == 1 && want != "" && out[0].Name != want:
		back = anyLive(out)
	}
	for _, s := range out {
		if s.Name != feed && !s.Proven && !leftOut {
			// No volts may be a lead that is off.
			v.add(VerdictReason{Code: NoVoltsOrLeadOff, Makes: Unproven, Side: s.Name})
		}
	}
	switch {
	case back != "":
		v.backFed(back)
	case !both || !whole || feed == "":
		if !leftOut {
			v.add(VerdictReason{Code: SidesNotTested, Makes: Unproven})
		}
	case want != "" && feed != want:
		v.add(VerdictReason{Code: SidesCrossed, Makes: Unproven, Side: feed})
	default:
		v.add(VerdictReason{Code: FeedSideFound, Makes: Pass, Side: feed})
	}
}

// FeedSide is the side that is fed, of leads in a slot with its fuse out: the one that is
// live in a position in which the other has no volts; empty where none is. back is the
// first position in which both sides are live; empty: none.
func FeedSide(leads []Side) (feed, back string) {
	for i, a := range leads {
		for _, b := range leads[i+1:] {
			for _, p := range a.LiveIn {
				if slices.Contains(b.LiveIn, p) && back == "" {
					back = p
				}
				if slices.Contains(b.DeadIn, p) && feed == "" {
					feed = a.Name
				}
			}
			for _, p := range b.LiveIn {
				if slices.Contains(a.DeadIn, p) {
					if feed == a.Name && back == "" {
						back = p // first the one was live, then the other
					}
					if feed == "" {
						feed = b.Name
					}
				}
			}
		}
	}
	return feed, back
}

// anyLive is the first position in which any of the leads is live.
func anyLive(leads []Side) string {
	for _, s := range leads {
		if len(s.LiveIn) > 0 {
			return s.LiveIn[0]
		}
	}
	return ""
}

// unfused joins the leads of the rounds with the fuse out, by sides: live in one round is
// live. It is whole where both sides are known in each position that the key was in.
func (s *BoxSlot) unfused() (sides []Side, whole bool) {
	var positions []string
	for i := range s.Rounds {
		r := &s.Rounds[i]
		if !r.unfused() {
			continue
		}
		positions = append(positions, r.Positions...)
		for _, l := range r.Leads {
			if l.Name == "" {
				continue
			}
			k := slices.IndexFunc(sides, func(x Side) bool { return x.Name == l.Name })
			if k < 0 {
				k = len(sides)
				sides = append(sides, Side{Name: l.Name, Proven: true})
			}
			x := &sides[k]
			x.Proven = x.Proven && l.Proven
			x.LiveIn = append(x.LiveIn, l.LiveIn...)
			x.DeadIn = slices.DeleteFunc(append(x.DeadIn, l.DeadIn...), func(p string) bool { return slices.Contains(x.LiveIn, p) })
		}
	}
	whole = len(sides) > 1 && !slices.ContainsFunc(sides, func(x Side) bool {
		return slices.ContainsFunc(positions, func(p string) bool { return !slices.Contains(x.LiveIn, p) && !slices.Contains(x.DeadIn, p) })
	})
	return sides, whole
}

// unfused reports whether no fuse joined the sides.
func (r *Round) unfused() bool { return r.Fuse == FuseOut || r.Fuse == FuseBlown }

// fuseIn judges the sides of each round with a fuse in, and reports whether both were
// seen live.
func (v *verdict) fuseIn() (both bool) {
	for i := range v.slot.Rounds {
		r := &v.slot.Rounds[i]
		if r.Fuse != FuseIn || len(r.Leads) < 2 {
			continue
		}
		side, position, proven := blown(r.Leads)
		if side != "" {
			out := VerdictReason{Code: BlownFuse, Makes: Fail, Side: side, Position: position}
			if !proven {
				out.Makes = Unproven
			}
			v.add(out)
			return true
		}
		_, back := FeedSide(r.Leads)
		both = both || back != ""
	}
	return both
}

// blown finds the side without volts while another is live, and whether its lead is
// proven.
func blown(leads []Side) (side, position string, proven bool) {
	for _, a := range leads {
		for _, b := range leads {
			for _, p := range a.LiveIn {
				if slices.Contains(b.DeadIn, p) {
					return b.Name, p, b.Proven
				}
			}
		}
	}
	return "", "", false
}

// backFed tells volts that come from other slots of the box from those that come from
// outside: with other fuses out they go.
func (v *verdict) backFed(position string) {
	r := VerdictReason{Code: BackFedFound, Makes: Fail, Position: position}
	var live, dead []int // rounds by number, with the load side live or not
	for i := range v.slot.Rounds {
		x := &v.slot.Rounds[i]
		if !x.unfused() {
			continue
		}
		if _, back := FeedSide(x.Leads); back != "" || v.slot.Expected.FeedSide == Middle && anyLive(x.Leads) != "" {
			live = append(live, x.Number)
		} else if len(x.Leads) > 1 {
			dead = append(dead, x.Number)
		}
	}
	if len(live) > 0 && len(dead) > 0 {
		r.Code, r.Other = Bridged, v.bench.through(v.slot.Name, live, dead)
	}
	v.add(r)
}

// through is the one other slot whose fuse was in while volts came, and out while none
// did; empty where there is none, or more than one.
func (b *bench) through(not string, live, dead []int) string {
	found := ""
	for i := range b.slots {
		s := &b.slots[i]
		if s.Name == not || !s.fusedAs(FuseIn, live) || !s.fusedAs(FuseOut, dead) {
			continue
		}
		if found != "" {
			return ""
		}
		found = s.Name
	}
	return found
}

// fusedAs reports whether the slot was fitted so in all of these rounds.
func (s *BoxSlot) fusedAs(f Fuse, rounds []int) bool {
	for _, n := range rounds {
		if !slices.ContainsFunc(s.Rounds, func(r Round) bool { return r.Number == n && r.Fuse == f }) {
			return false
		}
	}
	return true
}
