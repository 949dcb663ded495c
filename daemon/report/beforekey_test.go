package report

import (
	"strings"
	"testing"

	"keyturn/protocol"
)

// A person is told what hurts when a vehicle's key is turned; where relays turn it, nothing
// is asked of one, and of a shunt only where there is one.
func TestBeforeKey(t *testing.T) {
	for _, shunt := range []bool{false, true} {
		all := strings.Join(BeforeKey(protocol.Vehicle, shunt), "\n")
		for _, what := range []string{"Neutral or park", "handbrake", "belts and fans", "charger off", "60 V", "orange cable"} {
			if !strings.Contains(all, what) {
				t.Errorf("nothing of %s in\n%s", what, all)
			}
		}
		if strings.Contains(all, "shunt") != shunt {
			t.Errorf("shunt %v:\n%s", shunt, all)
		}
		if x := BeforeKey(protocol.OffVehicle, shunt); len(x) > 0 {
			t.Errorf("off a vehicle: %q", x)
		}
	}
}
