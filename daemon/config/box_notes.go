package config

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// Notes returns what somebody had better look at again in a box file that has no fault, a
// sentence each.
func (b Box) Notes() (notes []string) {
	for i := range b.Slots {
		if s := &b.Slots[i]; s.Avoid == AvoidNo && namesAvoided(s.Legend) {
			notes = append(notes, fmt.Sprintf("slot %s: its legend is %q and avoid is \"no\": see whether it belongs to a circuit that nobody may touch", s.ID, s.Legend))
		}
	}
	return notes
}

// namesAvoided reports whether a legend reads like a circuit of avoidReasons. Lamps of a
// brake or a gearbox are none.
func namesAvoided(legend string) bool {
	words := strings.FieldsFunc(strings.ToLower(legend), func(r rune) bool { return !unicode.IsLetter(r) })
	has := func(any ...string) bool {
		return slices.ContainsFunc(words, func(w string) bool { return slices.Contains(any, w) })
	}
	return has("airbag", "airbags", "tensioner", "abs", "steering", "immobiliser", "transmission", "gearbox", "brake", "brakes") && !has("lamp", "lamps", "light", "lights") ||
		has("engine") && has("management", "control", "unit")
}
