package config

import "slices"

// FuseKind is a kind of fuse as box files name it: by the part of ISO 8820 and the
// type, where it has one.
type FuseKind struct {
	Name string // "8820-3-f"
	What string // in plain words
	// Blades is how many contacts it has: 2, or 3 with one feed between two outputs.
	Blades int
	// TestPoints: it can usually be measured without pulling it.
	TestPoints bool
	// RatingsA are the ratings that are made, rising; none: any.
	RatingsA []float64
}

// FuseKinds lists every kind of fuse a box file may name. Parts, types, ratings and
// test points are values from memory: ISO 8820-1 to -10 were not at hand. The ratings
// from 3 A to 30 A of types C and F agree with printed colour charts of SAE J1284. No
// part was found for three blades, so that this kind bears no number.
func FuseKinds() []FuseKind {
	return []FuseKind{
		{"8820-3-c", "medium blade fuse, two blades", 2, true, []float64{1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40}},
		{"8820-3-e", "high-current blade fuse, two wide blades", 2, true, []float64{20, 30, 40, 50, 60, 70, 80, 100}},
		{"8820-3-f", "miniature blade fuse, two blades", 2, true, []float64{2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30}},
		{"8820-4-a", "block with two female contacts", 2, false, []float64{20, 25, 30, 40, 50, 60}},
		{"8820-4-b", "block with two bolted contacts", 2, false, []float64{30, 40, 50, 60, 70, 80, 100, 120, 140}},
		{"8820-5-sf30", "strip fuse with two bolted contacts", 2, false, []float64{30, 40, 50, 60, 70, 80, 100, 125, 150, 175, 200}},
		{"8820-9-k", "low miniature fuse, two shortened blades", 2, false, []float64{2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30}},
		{"8820-10-l", "high-current miniature fuse, two blades", 2, false, []float64{15, 20, 25, 30, 40, 50, 60}},
		{"three-blade", "three blades in a row, one feed between two outputs", 3, true, []float64{5, 7.5, 10, 15}},
		{"other", "another fuse with two contacts", 2, false, nil},
	}
}

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
