package config

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"keyturn/daemon/drive"
)

func drivenText(t testing.TB) string {
	t.Helper()
	text, err := os.ReadFile("../../testdata/benches/driven.toml")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func drivenBench(t testing.TB) Bench {
	t.Helper()
	b, err := ParseBench([]byte(drivenText(t)), families())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func scripts(t testing.TB) map[string][]byte {
	t.Helper()
	names, err := filepath.Glob("../../testdata/scripts/*.toml")
	if err != nil || len(names) < 3 {
		t.Fatalf("%v: %v", names, err)
	}
	texts := map[string][]byte{}
	for _, n := range names {
		text, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		texts[filepath.Base(n)] = text
	}
	return texts
}

// The example is read, with its figures; written and read again it is the same.
func TestDrivenBenchIsRead(t *testing.T) {
	b := drivenBench(t)
	writeAndRead(t, b)
	d := b.Driven()
	if err := d.Check(); err != nil {
		t.Fatal(err)
	}
	if len(d.Outputs) != 7 || !d.OffVehicle || d.Terminals != [3]bool{true, true, true} || d.Limits.StartRest != 20*time.Second {
		t.Errorf("%+v", d)
	}
	for i, want := range []drive.Output{
		{Name: "relay-75", Role: drive.RelayAccessory}, {Name: "relay-15", Role: drive.RelayOn}, {Name: "relay-50", Role: drive.RelayStart, ReadBack: true},
		{Name: "pulse", Role: drive.Watchdog, ReadBack: true}, {Name: "load-f01", Role: drive.TestLoad, Slot: "f01", Ohm: 4.7, Watt: 50, OwnWire: true},
		{Name: "bleed-f01", Role: drive.BleedResistor, Slot: "f01"}, {Name: "bleed-f02", Role: drive.BleedResistor, Slot: "f02"},
	} {
		if d.Outputs[i] != want {
			t.Errorf("output %d is %+v, want %+v", i, d.Outputs[i], want)
		}
	}
}

func TestEveryFaultOfLinesIsToldWithItsLine(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"on a vehicle", `"off-vehicle"`, `"vehicle"`, "line 13: on a vehicle a person turns the key, and nothing is driven; remove [drive] and every [[line]]"},
		{"no stop", `"emergency-stop"`, `"key-switch"`, "line 13: no line is emergency-stop; add one on a second contact of the stop\n" +
			"line 15: arming: a key switch that would arm nothing; write \"key-switch\", or remove its line"},
		{"no key switch", `"typed"`, `"key-switch"`, "line 15: arming: no line is key-switch; add one"},
		{"armed by no one", `"typed"`, `"mqtt"`, `line 15: arming: "mqtt" is not a way to arm; write one of key-switch, typed`},
		{"no chip", `"pinctrl-bcm2711"`, `""`, `line 14: chip: "" is no GPIO chip; write its label, like "pinctrl-bcm2711": gpiodetect lists them`},
		{"no sense", `role = "battery-sense"`, `slot = "f01"` + "\nside = \"left\"", ""},
		{"no watchdog", `"watchdog"`, `"read-back"`, ""},
		{"role", `"test-load"`, `"load"`, `line 147: role: "load" is not a role of a line; write one of terminal-75, terminal-15, terminal-50, test-load, bleed-resistor, watchdog, emergency-stop, key-switch, ...`},
		{"offset twice", "offset = 27", "offset = 17", "line 131: offset: 17 is that of another line; give each its own"},
		{"slot of a relay", "role = \"terminal-15\"\n\n", "role = \"terminal-15\"\nslot = \"f01\"\n\n", "line 133: slot: only a test load or a bleed resistor is in a slot; remove it"},
		{"no such slot", "role = \"test-load\"\nslot = \"f01\"", "role = \"test-load\"\nslot = \"f07\"", `line 148: slot: "f07" is not among the slots; did you mean "f01"?`},
		{"side of a relay", "role = \"terminal-15\"\n\n", "role = \"terminal-15\"\nside = \"left\"\n\n", "line 133: side: only a test load or a bleed resistor is at a side; remove it"},
		{"side of one lead", "role = \"test-load\"\nslot = \"f01\"", "role = \"test-load\"\nslot = \"f01\"\nside = \"left\"", "line 149: side: \"f01\" has one lead; remove the side"},
		{"no resistance", "ohm = 4.7", "ohm = 0", "line 149: ohm: 0 is out of range; write 0.1 to 1000, such as 4.7"},
		{"read-back of nothing", `of = "pulse"`, `of = "puls"`, `line 174: of: "puls" is not an output line; did you mean "pulse"?`},
		{"long starts", "start_rest_s = 20", "start_max_s = 29\nstart_rest_s = 20", "line 13: starts: want at most 30 s each (29s), and a rest (20s) no shorter; correct it"},
		{"supply", "start_rest_s = 20", "supply_high_v = 24", "line 16: supply_high_v: 24 is out of range; write 0 to 16"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(drivenText(t), c.old, c.new, 1)
			if text == drivenText(t) {
				t.Fatalf("%q is not in the example", c.old)
			}
			_, err := ParseBench([]byte(text), families())
			if err == nil || c.want != "" && err.Error() != c.want {
				t.Errorf("\n%v\nwant\n%s", err, c.want)
			}
		})
	}
	if _, err := ParseBench([]byte(edit(t, `subject = "vehicle" `, `subject = "off-vehicle" `)+"[[line]]\nname = \"x\"\noffset = 1\nrole = \"watchdog\"\n"), families()); err == nil ||
		err.Error() != "line 236: lines without what they are for; add [drive] with chip and arming" {
		t.Errorf("lines without a table: %v", err)
	}
}

// In a slot with two leads a resistor says at which it is, and both at the same.
func TestResistorsSayTheirSide(t *testing.T) {
	raw, err := os.ReadFile("../../testdata/benches/box-test.toml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(raw)
	for _, c := range []struct{ name, old, new, want string }{
		{"none", "slot = \"p1\"\nside = \"right\"\nohm", "slot = \"p1\"\nohm", "line 245: side: \"p1\" has two leads; write at which side the resistor is"},
		{"no side of it", "slot = \"p1\"\nside = \"right\"\nohm", "slot = \"p1\"\nside = \"upper\"\nohm", "line 250: side: \"upper\" is not a side of slot p1; write one of left, right"},
		{"two sides", "slot = \"p1\"\nside = \"right\"\nohm", "slot = \"p1\"\nside = \"left\"\nohm", "the other resistor of slot \"p1\" is at the side left, and both are measured at one lead; write the same"},
	} {
		edited := strings.Replace(text, c.old, c.new, 1)
		if edited == text {
			t.Fatalf("%s: %q is not in the example", c.name, c.old)
		}
		if _, err := ParseBench([]byte(edited), families()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// No statement about airbag units lets a test load into a slot that is avoided.
func TestNoTestLoadInAvoidedSlots(t *testing.T) {
	b := drivenBench(t)
	b.AirbagUnitsAbsent = true
	box := &Box{ID: "x"}
	for _, s := range b.Slots {
		box.Slots = append(box.Slots, BoxSlot{ID: s.Name, Legend: s.Legend, Avoid: AvoidNo})
	}
	box.Slots[0].Avoid = "airbag"
	const want = `line 148: slot: "f01" (Radio) is avoided (airbag): no test load there; remove the line`
	if err := b.Fit([]byte(drivenText(t)), box); err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}

func TestScriptsAreRead(t *testing.T) {
	b := drivenBench(t)
	for name, text := range scripts(t) { // each by itself
		s, err := ParseScript(text, b)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		machine := b.Driven()
		if _, err := drive.New(machine, s); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	s, err := ParseScript(scripts(t)["short.toml"], b)
	if err != nil || len(s.Steps) != 5 || s.CrankSource != drive.ContactOnly || s.Steps[0].Settled != 2*time.Second || s.Steps[0].Most != 20*time.Second ||
		s.Steps[3].For != 500*time.Millisecond || s.Steps[3].Loads[0] != "f01" || s.Steps[4].Position != drive.Off {
		t.Errorf("%+v, %v", s, err)
	}
}

func TestEveryFaultOfAScriptIsToldWithItsLine(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"engine", `"supply-dip"`, `"engine"`, `line 3: crank_source: only a person starts an engine; write "supply-dip" or "contact-only"`},
		{"source", `"supply-dip"`, `"supply"`, `line 3: crank_source: "supply" is not a source of the sag; write one of supply-dip, contact-only`},
		{"position", `position = "accessory"`, `position = "running"`, `line 6: position: "running" is not a position of the key; write one of off, accessory, on, start`},
		{"long start", "for_s = 1.5", "for_s = 10", "line 14: a start of 10s; at most 9.8s"},
		{"word", "most_s = 20", "most = 20", "line 12: unknown key \"step.most\"; did you mean \"most_s\"?"},
		{"no number", "for_s = 3", "for_s = nan", "line 7: for_s: NaN is out of range; write 0 to 3600"},
		{"both", "for_s = 3", "for_s = 3\nmost_s = 4", "line 8: most_s: belongs to settled_s; remove it"},
		{"load", "for_s = 3", "for_s = 1\nloads = [\"f02\"]", "line 5: slot \"f02\" has no test load; add its [[line]] to the bench file"},
		{"list", "for_s = 3", "for_s = 1\nloads = \"f01\"", "line 8: loads: a value of the wrong type; write a list of texts, like [\"records\"]"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(string(scripts(t)["start.toml"]), c.old, c.new, 1)
			_, err := ParseScript([]byte(text), drivenBench(t))
			if err == nil || err.Error() != c.want {
				t.Errorf("\n%v\nwant\n%s", err, c.want)
			}
		})
	}
	const want = "line 1: the bench drives nothing; add [drive] and its lines to the bench file, where the leads are on a box on a bench supply"
	b, err := ParseBench(example(t), families())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ParseScript(scripts(t)["start.toml"], b); err == nil || err.Error() != want {
		t.Errorf("a script on a vehicle: %v", err)
	}
}

// A script file is either refused with a line of it, or the machine takes it.
func FuzzScriptFile(f *testing.F) {
	for _, text := range scripts(f) { // seeds
		f.Add(text)
	}
	f.Add([]byte("crank_source = 1\n[[step]]\nfor_s = -inf\n[[step]]\nloads = [1]\n"))
	f.Add([]byte("step = [{position = \"\\n\", for_s = 1e300}, 3]"))
	b := drivenBench(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := ParseScript(data, b)
		if err != nil {
			var faults Faults
			if !errors.As(err, &faults) || len(s.Steps) > 0 {
				t.Fatalf("%T with %+v", err, s)
			}
			told(t, data, faults)
			return
		}
		if _, err := drive.New(b.Driven(), s); err != nil {
			t.Errorf("accepted, but the machine refuses it: %v", err)
		}
	})
}

// A bench by script on which nothing tells whether the watchdog relay has let go is noted.
func TestWatchdogWithoutReadBackIsNoted(t *testing.T) {
	b := drivenBench(t)
	const want = "no read-back of line pulse"
	if notes := strings.Join(b.Notes(), "\n"); strings.Contains(notes, want) {
		t.Errorf("with one:\n%s", notes)
	}
	b.Lines = slices.DeleteFunc(b.Lines, func(l Line) bool { return l.Of == "pulse" })
	if notes := strings.Join(b.Notes(), "\n"); !strings.Contains(notes, want) {
		t.Errorf("notes:\n%s", notes)
	}
}
