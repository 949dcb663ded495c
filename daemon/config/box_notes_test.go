package config

import "testing"

// A legend that reads like a circuit which nobody may touch is asked about; one that only
// has a word of it is not.
func TestNotesOfLegends(t *testing.T) {
	for legend, want := range map[string]int{
		"Airbag unit": 1, "ABS pump": 1, "Anti-lock brakes": 1, "Power steering": 1, "Engine control unit": 1, "Belt tensioner": 1,
		"Absorber fan": 0, "Brake lamps": 0, "Engine bay lamp": 0, "Radio": 0, "": 0,
	} { // each legend by itself
		b := Box{Slots: []BoxSlot{{ID: "f01", Legend: legend, Avoid: AvoidNo}, {ID: "f02", Legend: legend, Avoid: "airbag"}}}
		if got := len(b.Notes()); got != want {
			t.Errorf("%q: %d notes, want %d", legend, got, want)
		}
	}
}
