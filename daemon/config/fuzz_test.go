package config

import (
	"bytes"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"keyturn/daemon/measure"
)

// smallBench is a whole bench in few bytes, for inputs that are quickly changed.
const smallBench = `id = "b"
subject = "vehicle"
mqtt.broker = "tcp://h"
limits = {below_v = [9.6, 6], live_above = 0.7}
bus = [{name = "i"}]
chip = [{name = "c", family = "ads1115", bus = "i", address = 0x48, crank_lead = "l"}]
slot = [{name = "s", legend = "größe"}]
[[lead]]
name = "l"
chip = "c"
slot = "s"
upper_kohm = 33
lower_kohm = 2.7
capacitor_nf = 560
calibration = {gain = 13.2, date = "2026-11-02", tau_us = 1401.487}
`

const smallCalibrations = `[[lead]]
name = "lead-01"
chip = "adc-1"
input = 0
gain = 13.2
offset_v = 0.01
u_gain = 0.001
u_offset_v = 0.002
date = "2026-11-02"
tau_us = 1401.487
tau_floating_us = 1515.5
u_tau = 0.005

[[lead]]
name = "lead-02"
chip = "adc-9"
input = 3
gain = 13.1
date = ""
`

// told fails the test unless a fault names a line of the text and is one printable
// line that says what to do.
func told(t *testing.T, data []byte, faults Faults) {
	t.Helper()
	rows := 1 + bytes.Count(data, []byte("\n"))
	for _, x := range faults {
		switch {
		case x.Line < 1 || x.Line > rows:
			t.Errorf("line %d of %d: %s", x.Line, rows, x.What)
		case !strings.Contains(x.What, "; "):
			t.Errorf("line %d: %q does not say what to do", x.Line, x.What)
		case !utf8.ValidString(x.What) || strings.ContainsFunc(x.What, func(r rune) bool { return !unicode.IsPrint(r) }):
			t.Errorf("line %d: %q is not one printable line", x.Line, x.What)
		// A clipped text with each byte escaped, and the sentence around it.
		case len(x.What) > 4096:
			t.Errorf("line %d: %d bytes of fault", x.Line, len(x.What))
		}
	}
	if len(faults) == 0 {
		t.Error("refused without a fault")
	}
	if !slices.IsSortedFunc(faults, func(a, b Fault) int { return a.Line - b.Line }) {
		t.Errorf("not by line: %v", faults)
	}
}

// A bench file is either read as a bench that the core takes and that is written
// and read as the same, or every fault is told with its line.
func FuzzBenchFile(f *testing.F) {
	f.Add(example(f))
	f.Add([]byte(smallBench))
	f.Add([]byte(drivenText(f)))
	f.Add([]byte("[[lead]]\n[lead.calibration]\n"))
	f.Add([]byte("lead = [{name = 1, calibration = {gain = 'x'}}, 3]\nbus.name = 2\n"))
	f.Add([]byte("id = 1\nid = 2\n[lead.x]\n[[lead]]\n\"a.b\" = nan"))
	f.Add([]byte("[[chip]]\nname = \"a\\u001bb\\nc\"\ncrank_lead = \"x\"\n[[chip]]\nbus = \"\\n\"\n[[chip]]\nbus = \"\\n\"\n"))
	f.Add([]byte("[[lead]]\nname = \"" + strings.Repeat("\\u0007", 3000) + "\"\nrole = \"" + strings.Repeat("ü", 3000) + "\"\n"))
	f.Add([]byte(strings.Repeat("x", 5000) + " = 1\n" + strings.Repeat("y", 5000) + ".id = 1\n"))
	f.Add([]byte("\"a\\nb\" = 1\n\"a\\nb\" = 2\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := ParseBench(data, families())
		if err != nil {
			var faults Faults
			if !errors.As(err, &faults) || !reflect.DeepEqual(b, Bench{}) {
				t.Fatalf("%T with %+v", err, b)
			}
			told(t, data, faults)
			return
		}
		if err := b.Params().Check(); err != nil {
			t.Errorf("accepted, but the core refuses it: %v", err)
		}
		writeAndRead(t, b)
	})
}

// A calibration file is either refused with a line of it, or is written and read
// as the same and fits onto a bench: the leads that it was made on take it and all
// others stay as they were.
func FuzzCalibrationFile(f *testing.F) {
	bench, err := ParseBench(example(f), families())
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte(smallCalibrations))
	f.Add([]byte("lead = []\n"))
	f.Add([]byte("[[lead]]\nname = 1\n"))
	f.Add([]byte(strings.Repeat("x", 5000) + " = 1\n"))
	f.Add([]byte("\"a\\nb\" = 1\n\"a\\nb\" = 2\n"))
	f.Add([]byte("lead = 1 # " + strings.Repeat("x", sizeMax)))
	f.Add([]byte("[[lead]]\nname = 'a'\ngain = nan\ncolour = 1\n"))
	f.Add([]byte("lead = [{name = \"a\", gain = 1}, {name = \"a\", gain = 1e9}]"))
	written, err := (Calibrations{Leads: []LeadCalibration{{Name: "lead-01", Chip: "adc-1", Calibration: Calibration{Gain: 13, Date: "2026-11-02"}}}}).TOML()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(written)
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := ParseCalibrations(data)
		if err != nil {
			if len(c.Leads) > 0 {
				t.Errorf("%+v beside an error", c)
			}
			var faults Faults
			if !errors.As(err, &faults) {
				t.Fatalf("%T is no Faults: %v", err, err)
			}
			told(t, data, faults)
			return
		}
		text, err := c.TOML()
		if err != nil {
			t.Fatal(err)
		}
		again, err := ParseCalibrations(text)
		if err != nil || !slices.Equal(c.Leads, again.Leads) {
			t.Errorf("written and read again it differs: %v\n%s\n%+v\n%+v", err, text, c, again)
		}

		b := bench
		b.Leads = slices.Clone(bench.Leads)
		moved := c.Apply(&b)
		wrong := false
		for i, l := range b.Leads {
			want := bench.Leads[i]
			at := slices.IndexFunc(c.Leads, func(x LeadCalibration) bool { return x.Name == l.Name })
			if at >= 0 {
				if k := &c.Leads[at]; k.Chip == l.Chip && k.Input == l.Input {
					want.Calibration = &k.Calibration
				} else {
					wrong = true
				}
			}
			if !reflect.DeepEqual(l, want) {
				t.Errorf("lead %s is %+v, want %+v", l.Name, l, want)
			}
		}
		if wrong != errors.Is(moved, ErrMoved) || (moved != nil) != wrong {
			t.Errorf("moved leads: %t, told: %v", wrong, moved)
		}
		if err := b.Params().Check(); err != nil {
			t.Errorf("applied, but the core refuses it: %v", err)
		}
		writeAndRead(t, b)

		for _, k := range c.Leads {
			again.Set(k)
		}
		if !slices.Equal(c.Leads, again.Leads) {
			t.Errorf("each set in its own place it is %+v, want %+v", again, c)
		}
		learned := make([]measure.TimeConstants, len(b.Leads))
		if c.Learn(b.Leads, learned) {
			t.Error("learned from no edge")
		}
	})
}

// A box file is either refused with a line of it, or is written and read as the same;
// a draft that lacks nothing needs no more than its signature, and what it lacks is
// told with a line of it.
func FuzzBoxFile(f *testing.F) {
	f.Add([]byte(smallBox))
	for _, text := range boxes(f) { // seeds
		f.Add(text)
	}
	draft, err := DraftBox("cabin-5", "a test", measuredSlots())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(draft)
	f.Add([]byte("draft = true\nid = \"b\"\nslot = [{id = \"a\", row = -1}, {id = \"a\", outputs = [{}, {}, {}], kind = \"micro-three-blades\"}]"))
	f.Add([]byte("draft = 1\nhighest_v = -inf\n[[slot]]\nstays_on_max_s = nan\ncoil_pins = [\"\\n\"]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, open, err := ParseBox(data)
		if err != nil {
			var faults Faults
			if !errors.As(err, &faults) || !reflect.DeepEqual(b, Box{}) || open != nil {
				t.Fatalf("%T with %+v", err, b)
			}
			told(t, data, faults)
			return
		}
		if len(open) > 0 {
			told(t, data, open)
			if !b.Draft {
				t.Errorf("no draft, and yet it lacks %v", open)
			}
		}
		writeAndReadBox(t, b)
		signed := b
		signed.Draft, signed.SignedBy, signed.SignedOn = false, "A", "2026-10-14"
		text, err := signed.TOML()
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := ParseBox(text); (err == nil) != (len(open) == 0) {
			t.Errorf("signed: %v; it lacked %v", err, open)
		}
		for _, s := range b.Slots {
			if why := b.Refuses(s.ID, onVehicle, true); why == "" && s.Avoid != AvoidNo {
				t.Errorf("slot %s, avoid %q, may be touched on a vehicle", s.ID, s.Avoid)
			}
		}
	})
}
