package drive

import (
	"testing"

	"keyturn/daemon/measure/spicetest"
)

// The watchdog of adc/DRIVE.md, by ngspice, with every part at the end of its tolerance
// that is worst: it holds while the line changes three times as slowly as it should, and
// lets go in time for the relay to fall within 200 ms, whichever way the line hangs.
func TestWatchdogCircuit(t *testing.T) {
	const (
		heldV    = 2.5  // the highest threshold of the gate
		released = 0.02 // a relay with a diode and a Zener diode across its coil (value from memory)
		within   = 0.2
	)
	m, _ := spicetest.Run(t, "watchdog.cir")
	if v := m["weak_least"]; v < heldV {
		t.Errorf("the gate falls to %.2f V between pulses, and may need %.1f", v, heldV)
	}
	for what, changed := range map[string]float64{"low_off": 0.59, "high_off": 0.60, "once_off": 0.10} { // each by itself
		if off, ok := m[what]; !ok || off-changed+released > within {
			t.Errorf("%s: the supply drops %.0f ms after the last change", what, (off-changed+released)*1e3)
		} else {
			t.Logf("%s: %.0f ms", what, (off-changed+released)*1e3)
		}
	}
}
