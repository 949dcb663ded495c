package report

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

var update = flag.Bool("update", false, "write the golden tables anew; read the difference before you commit it")

// The tables of whole cycles, as a person reads them, at the widths of a phone's
// terminal, an old one and a wide one.
func TestTables(t *testing.T) {
	for _, name := range []string{"whole", "double-start"} {
		c := protocoltest.Cycle(t, filepath.Join("testdata", name+".json"))
		for _, width := range []int{60, 80, 110} {
			got := Table(c, width)
			for line := range strings.Lines(got) {
				if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > width {
					t.Errorf("%s at %d columns: a line of %d: %s", name, width, n, line)
				}
			}
			if strings.Contains(got, "dead") {
				t.Errorf("%s: says dead of a slot that merely had no volts", name)
			}
			file := filepath.Join("testdata", fmt.Sprintf("%s-%d.txt", name, width))
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("%s at %d columns is now\n%s", name, width, got)
			}
		}
	}
}

func TestTimesInTheUnitPeopleUse(t *testing.T) {
	for s, want := range map[float64]string{0.0083: "8.3 ms", 0.975: "975.0 ms", 1: "1.0 s", 4.44: "4.4 s", 59.9: "59.9 s", 60: "1 min", 245: "4 min 5 s", 3600: "60 min"} {
		if got := Seconds(s); got != want {
			t.Errorf("%g s is %q, want %q", s, got, want)
		}
	}
}

func TestEveryBehaviourHasWords(t *testing.T) {
	for _, b := range []protocol.Behaviour{protocol.Permanent, protocol.Ignition, protocol.Accessory, protocol.StartOnly, protocol.EngineRunning,
		protocol.Awake, protocol.SwitchOperated, protocol.Intermittent, protocol.NoVolts, protocol.NotProven} {
		s := &protocol.CycleSlot{Behaviour: b, Possible: protocol.List[protocol.Behaviour]{protocol.Ignition, protocol.Accessory}}
		if got := Behaviour(s); got == string(b) || got == "" {
			t.Errorf("%s is %q", b, got)
		}
	}
}

// How the slot was fitted is the first thing to know of what was measured in it.
func TestRemarksSayHowTheSlotWasFitted(t *testing.T) {
	off := true
	for fuse, want := range map[protocol.Fuse][]string{
		"": {"off while cranking"}, protocol.FuseIn: {"off while cranking"},
		protocol.FuseOut: {"measured with the fuse out", "off while cranking"}, protocol.FuseBlown: {"measured with a blown fuse", "off while cranking"},
	} {
		if got := Remarks(&protocol.CycleSlot{Fuse: fuse, OffInStart: &off}); !slices.Equal(got, want) {
			t.Errorf("fuse %q: %q, want %q", fuse, got, want)
		}
	}
}

// An order is told only where brackets are apart; a delay's uncertainty is that
// of both instants.
func TestOrderIsToldWhereItIsCertain(t *testing.T) {
	slot := func(name string, atMS, halfMS, uUS float64) protocol.CycleSlot {
		at := int64(atMS * 1e6)
		e := protocol.Edge{State: protocol.Live, AtNS: at, NotBeforeNS: at - int64(halfMS*1e6), NotAfterNS: at + int64(halfMS*1e6), UUS: protocol.Micros(uUS)}
		return protocol.CycleSlot{Slot: name, Behaviour: protocol.Ignition, Leads: protocol.List[protocol.CycleLead]{
			{Lead: name, Transitions: protocol.List[protocol.Transition]{{ID: name, Edge: e}}}}}
	}
	c := &protocol.Cycle{Key: protocol.List[protocol.KeyMove]{{Position: protocol.PositionOn, AtNS: 1e9}},
		Slots: protocol.List[protocol.CycleSlot]{slot("f3", 1030, 3, 40), slot("f1", 1010, 3, 10), slot("f2", 1014, 3, 30)}}
	want := "Live after key-on in this order: f1 with f2, then after 16.0 ms (± 0.1 ms) f3."
	if got := Order(c); got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got := Order(&protocol.Cycle{Key: c.Key, Slots: c.Slots[1:]}); got != "" {
		t.Errorf("%q, want no order", got)
	}
}

// Only a start in which nothing pulled the supply down is said to have tested nothing.
func TestContactOnlyIsNotTestedAtLowVoltage(t *testing.T) {
	const want = "Not tested at low voltage: in the start a contact moved, and nothing pulled the supply down."
	start := protocol.List[protocol.KeyMove]{{Position: protocol.PositionOn}, {Position: protocol.PositionStart}}
	for _, c := range []struct {
		source protocol.CrankSource
		key    protocol.List[protocol.KeyMove]
		want   string
	}{{protocol.CrankContactOnly, start, want}, {protocol.CrankContactOnly, start[:1], ""}, {protocol.CrankSupplyDip, start, ""}, {"", start, ""}} {
		cycle := &protocol.Cycle{CrankSource: c.source, Key: c.key}
		if got := LowVoltage(cycle); got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
		if told := strings.Contains(Table(cycle, 200), want); told != (c.want != "") {
			t.Errorf("%+v: the table tells it: %v", c, told)
		}
	}
}

func TestSourceInWords(t *testing.T) {
	ohm, u := protocol.MilliOhms(402.3), protocol.MilliOhms(6.4)
	for _, c := range []struct {
		s    protocol.SlotSource
		want string
	}{
		{protocol.SlotSource{Finding: protocol.SourceFeed, Position: protocol.PositionOn}, "a real feed with the key at on"},
		{protocol.SlotSource{Finding: protocol.SourceHighResistance, Position: protocol.PositionOn, PathMOhm: &ohm, PathUMOhm: &u, IncludesProbe: true},
			"high resistance, a real feed behind a bad joint, with the key at on: 402 ± 13 mΩ from the battery (includes the probe)"},
		{protocol.SlotSource{Finding: protocol.SourceGhost, Position: protocol.PositionOff}, "ghost: its volts collapse under a resistor with the key at off"},
		{protocol.SlotSource{Finding: protocol.SourceNotProven, Position: protocol.PositionOn, PathMOhm: &ohm, PathUMOhm: &u}, "the joint is not proven good or bad with the key at on: 402 ± 13 mΩ from the battery"},
		{protocol.SlotSource{Finding: protocol.SourceNone, Position: protocol.PositionOn}, "no volts to be tested with the key at on"},
	} {
		if got := Remarks(&protocol.CycleSlot{Source: &c.s}); len(got) != 1 || got[0] != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
