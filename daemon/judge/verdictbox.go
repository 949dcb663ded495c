package judge

import "slices"

// This file judges what several rounds, and several slots, say of each other.

// rounds notes where the slot's rounds do not show the same, and where nothing says that
// they are of one box in one state.
func (v *verdict) rounds() {
	if !v.bench.joined {
		v.add(VerdictReason{Code: RoundsNotJoined, Makes: Unproven})
	}
	if disagrees(v.slot) {
		v.add(VerdictReason{Code: RoundsDisagree, Makes: Unproven})
	}
}

// disagrees reports whether a later round certainly shows something else than the first.
// With and without a fuse only what the slot does is compared: its load is not there.
func disagrees(s *BoxSlot) bool {
	first := -1
	for i := range s.Rounds {
		r := &s.Rounds[i]
		if !r.seesFeed(s.Expected.FeedSide) {
			continue
		}
		if first < 0 {
			first = i
			continue
		}
		f := &s.Rounds[first]
		c := Compare(&Cycle{Slots: []Slot{f.Slot}}, &Cycle{Slots: []Slot{r.Slot}})
		if slices.ContainsFunc(c.Findings, func(x Finding) bool { return x.Why == 0 && x.Certain && (x.What == Does || f.Fuse == r.Fuse) }) {
			return true
		}
	}
	return false
}

// joined reports whether the rounds are of one box in one state: a slot that was measured
// in each of them, the reference, does the same in all.
func joined(slots []BoxSlot) bool {
	var all []int
	for _, s := range slots {
		for _, r := range s.Rounds {
			if !slices.Contains(all, r.Number) {
				all = append(all, r.Number)
			}
		}
	}
	return len(all) < 2 || slices.ContainsFunc(slots, func(s BoxSlot) bool {
		return s.Avoid == "" && len(s.Rounds) == len(all) && !disagrees(&s)
	})
}

// crossed finds slots that each do what the other should: their leads may have been
// crossed, so that neither fails. The other one is named where there is only one.
func (b *bench) crossed(all []Verdict) {
	for i := range all {
		partners := 0
		r := VerdictReason{Code: SlotsCrossed, Makes: Unproven}
		for k := range all {
			if b.swapped(all, i, k) && b.swapped(all, k, i) {
				partners++
				r.Other = all[k].Slot
			}
		}
		switch {
		case partners == 0:
			continue
		case partners > 1:
			r.Other = ""
		}
		for j := range all[i].Reasons {
			// Every figure may be the other slot's.
			x := &all[i].Reasons[j]
			x.Makes = max(x.Makes, Unproven)
		}
		all[i].Reasons = append(all[i].Reasons, r)
	}
}

// swapped reports whether slot i does what slot k should.
func (b *bench) swapped(all []Verdict, i, k int) bool {
	should := b.slots[k].Expected.Behaviour
	return should != b.slots[i].Expected.Behaviour && slices.ContainsFunc(all[i].Reasons, func(r VerdictReason) bool {
		return strange(&r) && r.Behaviour == should
	})
}

// strange reports whether a reason is of a slot that does what it should not.
func strange(r *VerdictReason) bool {
	return r.Behaviour != "" && (r.Code == WrongBehaviour || r.Code == NoVoltsFound || r.Code == NoVoltsOrLeadOff)
}
