package measure

import (
	"fmt"
	"testing"
)

// Worked example 6 of the handbook's EXAMPLES.md: a battery of 12.6 V and 6 mΩ (in the
// middle of what a healthy one has, value from memory) at 150 A falls to 11.70 V, by
// 0.90 V, 7.14 %. By Ohm's law; the resistance that is measured from these volts is that
// of the battery.
func TestBatteryUnderItsStarter(t *testing.T) {
	const openV, loadedV, amps = 12.6, 11.70, 150
	l := Loading{Open: Level{V: openV}, Loaded: Level{V: loadedV}, Ohm: loadedV / amps}
	if got := fmt.Sprintf("%.2f", 1e3*l.Strength()); got != "6.00" {
		t.Errorf("%s mΩ, want 6.00", got)
	}
	sag := l.Strength() * amps
	if got := fmt.Sprintf("%.2f V, %.2f V, %.2f %%", openV-sag, sag, 100*sag/openV); got != "11.70 V, 0.90 V, 7.14 %" {
		t.Errorf("falls to %s, want 11.70 V, 0.90 V, 7.14 %%", got)
	}
}
