package config

import (
	"slices"

	"keyturn/daemon/handbook"
)

// FuseKind is a kind of fuse as box files name it: by the part of ISO 8820 and the
// type, where it has one. The kinds of the handbook have the same names there.
type FuseKind struct {
	Name string // "8820-3-F"
	What string // in plain words
	// Blades is how many contacts it has: 2, or 3 with one feed between two outputs.
	Blades int
	// TestPoints: it can usually be measured without pulling it.
	TestPoints bool
	// RatingsA are the ratings that are made, rising; none: not known, so that any passes.
	RatingsA []float64
}

// FuseKinds lists every kind of fuse a box file may name: those of the handbook, and
// others whose parts, types and ratings are values from memory. So is which of them
// have test points.
func FuseKinds() []FuseKind {
	var all []FuseKind
	for _, d := range handbook.FuseTypes() {
		k := FuseKind{Name: string(d.Type), What: d.Words, Blades: max(d.Blades, 2), TestPoints: d.Type != handbook.FuseK}
		for _, c := range handbook.FuseColours(d.Type) {
			k.RatingsA = append(k.RatingsA, c.RatingA)
		}
		all = append(all, k)
	}
	return append(all,
		FuseKind{"8820-4-A", "block with two female contacts", 2, false, []float64{20, 25, 30, 40, 50, 60}},
		FuseKind{"8820-4-B", "block with two bolted contacts", 2, false, []float64{30, 40, 50, 60, 70, 80, 100, 120, 140}},
		FuseKind{"8820-5-SF30", "strip fuse with two bolted contacts", 2, false, []float64{30, 40, 50, 60, 70, 80, 100, 125, 150, 175, 200}},
		FuseKind{"8820-10-L", "miniature blade fuse for high currents", 2, false, []float64{15, 20, 25, 30, 40, 50, 60}},
		FuseKind{"other", "another fuse with two contacts", 2, false, nil},
	)
}

// threeBlades is the kind with one feed between two outputs.
const threeBlades = string(handbook.FuseMicroThree)

// fuseKind finds a kind by its name.
func fuseKind(name string) (FuseKind, bool) {
	all := FuseKinds()
	i := slices.IndexFunc(all, func(k FuseKind) bool { return k.Name == name })
	if i < 0 {
		return FuseKind{}, false
	}
	return all[i], true
}

// HasTestPoints reports whether a slot's fuse can be measured without pulling it.
func (s *BoxSlot) HasTestPoints() bool {
	if s.TestPoints != nil {
		return *s.TestPoints
	}
	k, _ := fuseKind(s.Kind)
	return k.TestPoints
}

// Blades is how many contacts a slot's fuse has: 2, or 3 with the feed in the middle; 0
// while its kind is not said.
func (s *BoxSlot) Blades() int {
	k, _ := fuseKind(s.Kind)
	return k.Blades
}
