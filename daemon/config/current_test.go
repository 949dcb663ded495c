package config

import (
	"math"
	"os"
	"strings"
	"testing"

	"keyturn/daemon/measure"
)

// withShunts are the families of a bench with a shunt monitor.
func withShunts() []Family {
	return append(families(), Family{Name: "ina226", Inputs: 1, Addresses: []int{0x40, 0x41}, Rates: []int{56, 227}, RangesV: []float64{0.08192}, Shunt: true})
}

func parked(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../testdata/benches/parked.toml")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func TestCurrentLeadIsRead(t *testing.T) {
	b, err := ParseBench([]byte(parked(t)), withShunts())
	if err != nil {
		t.Fatal(err)
	}
	p := b.Params()
	l := &p.Leads[4]
	// Worked by hand: 1 % even within its limits is 0.577 %; 10 µV and 2.5 µV over 10 mΩ
	// are 1.25 mA, even within its limits 0.722 mA.
	if l.Shunt.Ohm != 0.01 || math.Abs(l.Shunt.U-0.00577) > 1e-5 || l.Calibration.Gain != 1 || math.Abs(l.UCurrent(0)-0.722e-3) > 1e-6 || l.Tau != 0 {
		t.Errorf("%+v", l)
	}
	if p.AsleepBelowA != 0.05 || p.BatterySense != 0 || p.Key.On != 1 || len(p.Slots) != 2 || p.Key.Running != measure.NoLead {
		t.Errorf("%+v", p)
	}
	text, err := b.TOML()
	if err != nil {
		t.Fatal(err)
	}
	if again, err := ParseBench(text, withShunts()); err != nil || again.Leads[4] != b.Leads[4] || strings.Count(string(text), "upper_kohm") != 4 {
		t.Errorf("written and read again: %v\n%s", err, text)
	}
}

func TestCurrentLeadsFaultsAreTold(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"shunt_mohm = 10 ", "shunt_mohm = 0 ", "shunt_mohm: 0 is out of range; write 0.01 to 10000, like 10 for 8 A"},
		{"shunt_percent = 1", "shunt_percent = 30", "shunt_percent: 30 is out of range"},
		{"shunt_percent = 1", "upper_kohm = 33", "upper_kohm: a current lead has no divider; remove it"},
		{"role = \"current\"", "role = \"battery-sense\"", "chip: amps-1 is a shunt monitor and measures a current"},
		{"chip = \"amps-1\"\ninput = 0", "chip = \"adc-1\"\ninput = 3", "chip: adc-1 cannot resolve the millivolts of a shunt"},
		{"chip = \"amps-1\"\ninput = 0", "chip = \"amps-1\"\ninput = 1", "input: 1 is no input of amps-1; write 0 to 0"},
		{"slot = \"f02\"\n", "slot = \"f02\"\nshunt_mohm = 5\n", "shunt_mohm: only a lead with role = \"current\" has a shunt"},
		{"address = 0x40\n", "address = 0x40\ncrank_lead = \"shunt\"\n", "crank_lead: a shunt monitor serves no start"},
		{"role = \"current\"", "role = \"current\"\nslot = \"f01\"", "a lead with the role current is in no slot"},
		{"asleep_below_ma = 50", "asleep_below_ma = -1", "asleep_below_ma: -1 is out of range; write 0 to 10000, usually 50"},
	} {
		text := strings.Replace(parked(t), c.old, c.new, 1)
		if text == parked(t) {
			t.Fatalf("%q is not in the file", c.old)
		}
		if _, err := ParseBench([]byte(text), withShunts()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v\nwant %s", c.new, err, c.want)
		}
	}
}

// A watch that ends before the hour of common practice is worth a word.
func TestShortWatchOfACurrentIsNoted(t *testing.T) {
	for watch, want := range map[string]bool{"4500": false, "3000": true} {
		b, err := ParseBench([]byte(strings.Replace(parked(t), "watch_s = 4500", "watch_s = "+watch, 1)), withShunts())
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(strings.Join(b.Notes(), "\n"), "watch_s"); got != want {
			t.Errorf("%s s: %q", watch, b.Notes())
		}
	}
}
