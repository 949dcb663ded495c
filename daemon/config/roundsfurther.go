package config

import "slices"

// Further are rounds after others, for slots without volts whose leads are not proven: those
// of again are tested once more on the places that they had, with the fuses in; then the
// leads of their places, and of those that later had, are in other slots that should be
// live, of sound. What joined the rounds stays where it is. There are none without such
// other slots.
func (b *Bench) Further(box *Box, rounds []Round, again, later, sound []string) []Round {
	joins := joining(rounds)
	var others []string
	for _, s := range box.inPlaces() {
		if slices.Contains(sound, s.ID) && s.shouldBeLive() && b.cannotTest(box, s.ID) == "" && !slices.ContainsFunc(joins, func(p Placed) bool { return p.Slot == s.ID }) {
			others = append(others, s.ID)
		}
	}
	if len(others) == 0 {
		return nil
	}
	var tests [][]Placed
	var places []string
	for _, id := range slices.Concat(again, later) {
		p := Placed{Place: placeOf(rounds, id), Slot: id, Fuse: "in"}
		if !slices.Contains(places, p.Place) {
			places = append(places, p.Place)
		}
		if !slices.Contains(again, id) {
			continue
		}
		k := slices.IndexFunc(tests, func(t []Placed) bool { return (&Round{Places: t}).at(p.Place) == nil })
		if k < 0 {
			k = len(tests)
			tests = append(tests, slices.Clone(joins))
		}
		tests[k] = append(tests[k], p)
	}
	all := slices.Clone(rounds)
	for _, t := range tests {
		all = append(all, Round{Places: t})
	}
	for part := range slices.Chunk(places, len(others)) {
		proof := slices.Clone(joins)
		for i, place := range part {
			proof = append(proof, Placed{Place: place, Slot: others[i], Fuse: "in"})
		}
		all = append(all, Round{Places: proof})
	}
	follow(all)
	return all[len(rounds):]
}

// joining is the first place with the slot that joins rounds, its fuse in; empty where none
// does.
func joining(rounds []Round) []Placed {
	first := rounds[0].Places[0]
	if slices.ContainsFunc(rounds, func(r Round) bool { return r.Places[0].Slot != first.Slot }) {
		return nil
	}
	return []Placed{{Place: first.Place, Slot: first.Slot, Fuse: "in"}}
}

// placeOf is the place that a slot had last.
func placeOf(rounds []Round, slot string) (place string) {
	for _, r := range rounds {
		for _, p := range r.Places {
			if p.Slot == slot {
				place = p.Place
			}
		}
	}
	return place
}
