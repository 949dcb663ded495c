package config

import (
	"os"
	"reflect"
	"strings"
	"testing"
)

func families() []Family {
	return []Family{{Name: "ads1115", Inputs: 4, Addresses: []int{0x48, 0x49, 0x4A, 0x4B}, Rates: []int{8, 860}, RangesV: []float64{2.048, 4.096}}}
}

func example(t testing.TB) []byte {
	t.Helper()
	text, err := os.ReadFile("../../testdata/benches/training.toml")
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func TestExampleBenchAndRoundTrip(t *testing.T) {
	b, err := ParseBench(example(t), families())
	if err != nil {
		t.Fatal(err)
	}
	p := b.Params()
	if err := p.Check(); err != nil {
		t.Error(err)
	}
	if len(p.Leads) != 16 || len(p.Slots) != 12 || p.BatterySense != 0 || p.Key.Accessory != 1 || p.Key.On != 2 || p.Key.Start != 3 {
		t.Errorf("params %+v", p)
	}
	// 33 kΩ with 2.7 kΩ and 560 nF, worked by hand: 13.2222, 1.39765 ms, 1.512 ms.
	if l := p.Leads[5]; l.Calibration.Gain < 13.222 || l.Calibration.Gain > 13.2223 || l.Tau.Microseconds() != 1397 || l.TauFloating.Microseconds() != 1512 {
		t.Errorf("lead %+v", l)
	}
	b.Leads[7].Calibration = &Calibration{Gain: 13.2, OffsetV: 0.01, UGain: 0.001, UOffsetV: 0.002, Date: "2026-11-02", TauUS: 1401.5, UTau: 0.005}
	text, err := b.TOML()
	if err != nil {
		t.Fatal(err)
	}
	again, err := ParseBench(text, families())
	if err != nil || !reflect.DeepEqual(b, again) {
		t.Errorf("written and read again it differs: %v", err)
	}
}

func TestEveryFaultIsToldWithItsLine(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"no subject", `subject = "vehicle" `, `#`, `subject: "" is not a subject: say "off-vehicle" (a box or training board on a bench supply) or "vehicle" (a person turns the ignition key)`},
		{"unknown key", "watch_s = 600", "wach_s = 600", `line 11: unknown key "limits.wach_s"; did you mean "watch_s"?`},
		{"wrong type", "hz = 400000", `hz = "fast"`, "line 15: column 6: "},
		{"not TOML", "[mqtt]", "[mqtt", "line 7: column "},
		{"bad id", `id = "training"`, `id = "Training Bench"`, `line 4: id: "Training Bench" is no id: 1 to 32 of a-z, 0-9 and -`},
		{"no broker", "tcp://localhost:1883", "localhost", `line 8: broker: "localhost" is no broker: write it like "tcp://localhost:1883"`},
		{"bus of a chip", `name = "adc-2"
family = "ads1115"
bus = "/dev/i2c-1"`, `name = "adc-2"
family = "ads1115"
bus = "/dev/i2c-2"`, `line 27: bus: "/dev/i2c-2" is not among the buses; did you mean "/dev/i2c-1"?`},
		{"family", `family = "ads1115"`, `family = "ads1155"`, `line 20: family: "ads1155" is no chip family: have ads1115; did you mean "ads1115"?`},
		{"address", "address = 0x49", "address = 0x50", "line 28: address: 0x50 is no address of ads1115: have [0x48 0x49 0x4a 0x4b]"},
		{"two chips at one address", "address = 0x49", "address = 0x48", "line 28: address: address /dev/i2c-1 0x48 is used by another chip"},
		{"input twice", "chip = \"adc-1\"\ninput = 1", "chip = \"adc-1\"\ninput = 0", "line 102: input: input 0 of chip adc-1 is taken by another lead"},
		{"role", `role = "terminal-75"`, `role = "terminal-57"`, `line 103: role: "terminal-57" is no role: have slot, battery-sense, terminal-75, terminal-15, terminal-50, terminal-61; did you mean "terminal-50"?`},
		{"slot without a lead", `slot = "f12"`, `slot = "f11"`, `line 87: name: slot "f12" has 0 leads, want 1, or 2 with their sides`},
		{"no divider", "upper_kohm = 33\n", "", "upper_kohm: 0: want 0.1 to 10000; as drawn a lead has 33 kohm over 2.7 kohm and 560 nF"},
		{"thresholds", "watch_s = 600", "live_above = 0.2", "line 10: thresholds: want 0 < dead below (0.3) < live above (0.2) < 1"},
	} {
		text := strings.Replace(string(example(t)), c.old, c.new, 1)
		if text == string(example(t)) {
			t.Fatalf("%s: nothing replaced", c.name)
		}
		_, err := ParseBench([]byte(text), families())
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s:\n%v\nwant\n%s", c.name, err, c.want)
		}
	}
	_, err := ParseBench([]byte(strings.NewReplacer("address = 0x49", "address = 0x50", "watch_s", "wach_s", `"terminal-75"`, `"terminal"`).Replace(string(example(t)))), families())
	if f, ok := err.(Faults); !ok || len(f) != 3 {
		t.Errorf("three faults are told as %v", err)
	}
}

func FuzzParseBench(f *testing.F) {
	f.Add(example(f))
	f.Add([]byte("[[lead]]\n[lead.calibration]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if b, err := ParseBench(data, families()); err == nil {
			if err := b.Params().Check(); err != nil {
				t.Errorf("accepted, but the core refuses it: %v", err)
			}
		}
	})
}
