package measure

import (
	"fmt"
	"testing"
)

// Worked example 5 of the handbook's EXAMPLES.md: a battery of 12.6 V that has 11.70 V under
// 150 A has 6 mΩ by Ohm's law, in the middle of what a healthy one has (3 to 8 mΩ, value from
// memory).
func TestBatteryUnderItsStarter(t *testing.T) {
	const loadedV, amps = 11.70, 150
	if sag := 12.6 - loadedV; fmt.Sprintf("%.2f V, %.2f %%", sag, 100*sag/12.6) != "0.90 V, 7.14 %" {
		t.Errorf("sag %v V", sag)
	}
	l := Loading{Open: Level{V: 12.6}, Loaded: Level{V: loadedV}, Ohm: loadedV / amps}
	if got := fmt.Sprintf("%.2f", 1e3*l.Strength()); got != "6.00" {
		t.Errorf("%s mΩ, want 6.00", got)
	}
}
