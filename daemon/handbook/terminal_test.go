package handbook

import (
	"strings"
	"testing"
)

// DIN 72552: public tables agree on these.
func TestTerminals(t *testing.T) {
	for number, word := range map[string]string{"15": "ignition on", "30": "battery plus", "31": "battery minus", "50": "while starting", "61": "charge", "75": "accessory", "87a": "break", "58L": "left"} {
		got, err := FindTerminal(number) // each is checked by itself
		if err != nil || !strings.Contains(got.Words, word) {
			t.Errorf("%s: %+v, %v", number, got, err)
		}
	}
	for _, number := range []string{"", "58l", "99"} {
		_, err := FindTerminal(number)
		notInTable(t, err, "terminal numbers")
	}
	all := Terminals()
	for i := 1; i < len(all); i++ {
		if strings.ToLower(all[i].Number) <= strings.ToLower(all[i-1].Number) {
			t.Errorf("%s stands after %s", all[i].Number, all[i-1].Number)
		}
	}
}

// A circuit of 15 A: 12 A in the passenger compartment, 9 A by the engine. 3 % of
// 12 V is 0.36 V. Both sides of a starter circuit are 0.5 and 0.3 V.
func TestPractice(t *testing.T) {
	for i, want := range []float64{12.0, 9.0} {
		near(t, AddOnShares()[i].Place, 15*AddOnShares()[i].Share, want, 1e-9)
	}
	limits := map[string]float64{}
	for _, l := range VoltDropLimits() {
		if _, twice := limits[l.What]; twice || l.MostV < 0 || l.MostV > 1 {
			t.Errorf("%+v", l)
		}
		limits[l.What] = l.MostV
	}
	near(t, "3 %", limits["feed of an accessory"], 0.03*12, 1e-9)
	near(t, "starter circuit", limits["starter circuit while cranking, both sides together"], 0.5+limits["starter circuit while cranking, earth side"], 1e-9)
}
