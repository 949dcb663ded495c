package config

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// boxes reads every example of a box file.
func boxes(t testing.TB) map[string][]byte {
	t.Helper()
	files, err := filepath.Glob("../../testdata/boxes/*.toml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no box files: %v", err)
	}
	all := map[string][]byte{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		all[strings.TrimSuffix(filepath.Base(file), ".toml")] = text
	}
	return all
}

func boxOf(t testing.TB, text []byte) Box {
	t.Helper()
	b, open, err := ParseBox(text)
	if err != nil || len(open) > 0 {
		t.Fatalf("%v, open %v", err, open)
	}
	return b
}

// The examples are valid, signed, of 8 to 48 slots, and use every word between them.
func TestExampleBoxes(t *testing.T) {
	used := map[string]bool{}
	least, most := slotsMax, 0
	all := boxes(t)
	for _, name := range slices.Sorted(maps.Keys(all)) {
		b := boxOf(t, all[name])
		if b.ID != name {
			t.Errorf("%s has the id %q", name, b.ID)
		}
		least, most = min(least, len(b.Slots)), max(most, len(b.Slots))
		used["zone "+b.Zone] = true
		for _, p := range b.CoilPins {
			used["drive "+p.Drive] = true
		}
		for _, s := range b.Slots {
			for key, on := range map[string]bool{"kind " + s.Kind: true, "expected " + s.Expected: true, "avoid " + s.Avoid: true, "control " + s.Control: true,
				"contacts " + s.Contacts: true, "feed " + s.FeedSide: true, "outputs": len(s.Outputs) > 0, "test points": s.TestPoints != nil,
				"stays on at least": s.StaysOnMinS > 0, "stays on at most": s.StaysOnMaxS != nil,
				"off in start": s.OffInStart != nil && *s.OffInStart, "on in start": s.OffInStart != nil && !*s.OffInStart} { // gathered
				used[key] = used[key] || on
			}
		}
		writeAndReadBox(t, b)
	}
	if least != 8 || most != 48 || len(all) < 5 {
		t.Errorf("%d boxes of %d to %d slots, want 5 of 8 to 48", len(all), least, most)
	}
	want := []string{"zone cabin", "zone engine-bay", "drive positive", "drive earth", "control direct", "control coil-pins", "control network", "contacts left-right",
		"contacts upper-lower", "outputs", "test points", "stays on at least", "stays on at most", "off in start", "on in start", "avoid no"}
	for _, k := range FuseKinds() {
		want = append(want, "kind "+k.Name)
	}
	for _, x := range behaviours() {
		want = append(want, "expected "+x)
	}
	for _, x := range avoidReasons() {
		want = append(want, "avoid "+x)
	}
	for _, x := range sides() {
		want = append(want, "feed "+x)
	}
	for _, x := range want {
		if !used[x] {
			t.Errorf("no example has %s", x)
		}
	}
}

func writeAndReadBox(t *testing.T, b Box) {
	t.Helper()
	text, err := b.TOML()
	if err != nil {
		t.Fatal(err)
	}
	again, _, err := ParseBox(text)
	if err != nil || !reflect.DeepEqual(b, again) {
		t.Errorf("written and read again it differs: %v\n%s\n%+v\n%+v", err, text, b, again)
	}
}

func TestKindsOfFusesAreTold(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range FuseKinds() {
		if seen[k.Name] || !slices.IsSorted(k.RatingsA) || (k.Blades == 3) != (k.Name == threeBlades) || (k.Blades != 2 && k.Blades != 3) || k.What == "" {
			t.Errorf("%+v", k)
		}
		seen[k.Name] = true
	}
}

// smallBox is a whole box in few bytes, for inputs that are quickly changed.
const smallBox = `id = "b"
signed_by = "A"
signed_on = "2026-10-14"
datum = "hinge at top"
zone = "cabin"
highest_v = 12
rows = 1
columns = 3
coil_pin = [{id = "k1", drive = "earth", current_max_a = 0.2}]
[[slot]]
id = "s1"
rating_a = 10
kind = "8820-3-F"
row = 1
column = 1
contacts = "left-right"
feed_side = "left"
expected = "ignition"
stays_on_min_s = 2
stays_on_max_s = 5
off_in_start = true
avoid = "no"
control = "coil-pins"
coil_pins = ["k1"]
[[slot]]
id = "s2"
legend = "größe"
rating_a = 5
kind = "micro-three-blades"
test_points = false
row = 1
column = 2
contacts = "upper-lower"
outputs = [{side = "upper", legend = "x"}, {side = "lower", legend = "y"}]
expected = "permanent"
avoid = "airbag"
`

func TestEveryFaultOfABoxIsToldWithItsLine(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"id", `id = "b"`, `id = "Box 1"`, `line 1: id: "Box 1" is no id; use 1 to 32 of a-z, 0-9 and -`},
		{"unknown key", "rows = 1", "row = 1", "line 7: unknown key \"row\"; did you mean \"rows\"?\nline 1: rows: missing; write how many rows of slots there are, 1 to 32"},
		{"unknown key of a slot", "rating_a = 10", "rating = 10", "line 10: rating_a: missing; write what the lid says, in amperes\nline 12: unknown key \"slot.rating\"; did you mean \"rating_a\"?"},
		{"wrong type", "off_in_start = true", `off_in_start = "yes"`, "line 21: off_in_start: a value of the wrong type; write true or false"},
		{"wrong type inline", "outputs = [{side = \"upper\", legend = \"x\"}", "outputs = [{side = 1, legend = \"x\"}", "line 34: side: a value of the wrong type; write a text in quotes"},
		{"pins of one text", `coil_pins = ["k1"]`, `coil_pins = "k1"`, "line 9: id: \"k1\" switches no slot; name it under coil_pins of one, or remove it\nline 24: coil_pins: a value of the wrong type; write a list of texts, like [\"records\"]"},
		{"not signed", "signed_by = \"A\"\n", "", `line 1: signed_by: missing; write who answers for this file, or draft = true at the top`},
		{"signed when", `"2026-10-14"`, `"today"`, `line 3: signed_on: "today" is no date; write when it was signed, like "2026-11-02"`},
		{"signed draft", `id = "b"`, "id = \"b\"\ndraft = true", `line 2: draft: a draft is not signed; once every slot was answered remove this line, before that signed_by and signed_on`},
		{"no datum", "datum = \"hinge at top\"\n", "", `line 1: datum: missing; write how the box is held, like "label upright, hinge at top"`},
		{"zone", `"cabin"`, `"boot"`, `line 5: zone: "boot" is not a zone; write one of cabin, engine-bay`},
		{"high voltage", "highest_v = 12", "highest_v = 60", `line 6: highest_v: 60 V is refused; nothing at all is done on 60 V and above: leave it to who is trained for high voltage`},
		{"no voltage", "highest_v = 12", "highest_v = nan", `line 6: highest_v: NaN is out of range; write 1 to 60, usually 12`},
		{"orange cable", "rows = 1", "rows = 1\norange_cable = true", `line 8: orange_cable: refused; nothing at all is done on orange cable: leave it to who is trained for high voltage`},
		{"too many rows", "rows = 1", "rows = 40", `line 7: rows: 40 is out of range; write 1 to 32`},
		{"drive", `drive = "earth"`, `drive = "minus"`, `line 9: drive: "minus" is not what makes a relay pull in; write one of positive, earth`},
		{"current", "current_max_a = 0.2", "current_max_a = 20", `line 9: current_max_a: 20 is out of range; write 0.01 to 2, usually 0.2`},
		{"slot twice", `id = "s2"`, `id = "s1"`, `line 26: id: "s1" is that of another slot; give each its own`},
		{"place twice", "column = 2", "column = 1", `line 32: column: the place in row 1, column 1 is that of another slot; give each its own`},
		{"outside the grid", "column = 2", "column = 4", `line 32: column: 4 is outside the grid; write 1 to 3`},
		{"no place", "row = 1\ncolumn = 2\n", "column = 2\n", `line 25: row: missing; write where the slot is, from 1 at the top left with the box held as datum says`},
		{"kind", `"8820-3-F"`, `"8820-3-G"`, `line 13: kind: "8820-3-G" is not a kind of fuse; did you mean "8820-3-F"?`},
		{"rating", "rating_a = 10", "rating_a = 12", `line 12: rating_a: 12 A is not made as 8820-3-F (miniature blade fuse); write one of [2 3 4 5 7.5 10 15 20 25 30]`},
		{"rating of another kind", `"8820-3-F"`, `"other"`, ``},
		{"rating of no kind", "rating_a = 10\nkind = \"8820-3-F\"", "rating_a = 9999\nkind = \"other\"", `line 12: rating_a: 9999 is out of range; write 0.1 to 500`},
		{"contacts", `"left-right"`, `"across"`, `line 16: contacts: "across" is not how contacts lie; write one of left-right, upper-lower`},
		{"feed side", `feed_side = "left"`, `feed_side = "upper"`, `line 17: feed_side: "upper" is not a side of contacts that lie left-right; write one of left, right`},
		{"feed side of three", "test_points = false", `feed_side = "upper"`, `line 30: feed_side: three blades have their feed in the middle; remove it`},
		{"no outputs", "outputs = [{side = \"upper\", legend = \"x\"}, {side = \"lower\", legend = \"y\"}]\n", "", `line 25: outputs: missing; three blades have two: write outputs = [{side = "...", legend = "..."}, {side = "...", legend = "..."}]`},
		{"one output", `, {side = "lower", legend = "y"}`, "", `line 34: outputs: 1 outputs; three blades have two, one on each side of the feed: write both`},
		{"outputs on one side", `side = "lower"`, `side = "upper"`, `line 34: side: "upper" is that of the other output; give each its own`},
		{"outputs on no side", `side = "lower"`, `side = "left"`, `line 34: side: "left" is not a side of contacts that lie upper-lower; write one of upper, lower`},
		{"outputs of two blades", `kind = "micro-three-blades"`, `kind = "8820-3-F"`, `line 34: outputs: 8820-3-F has two contacts and no outputs of its own; remove them, or write kind = "micro-three-blades"`},
		{"expected", `"ignition"`, `"ignited"`, `line 18: expected: "ignited" is not what a slot may do; did you mean "ignition"?`},
		{"limits", "stays_on_min_s = 2", "stays_on_min_s = 6", `line 20: stays_on_max_s: 5 is below stays_on_min_s, 6; correct one of them`},
		{"limit of nothing", "stays_on_min_s = 2", "stays_on_min_s = inf", "line 19: stays_on_min_s: +Inf is out of range; write 0 to 86400\nline 20: stays_on_max_s: 5 is below stays_on_min_s, +Inf; correct one of them"},
		{"limits of a permanent slot", `"ignition"`, `"permanent"`, "line 19: stays_on_min_s: cannot be of a slot that is permanent; remove it or correct expected\nline 20: stays_on_max_s: cannot be of a slot that is permanent; remove it or correct expected"},
		{"start of a slot without volts", `"ignition"`, `"engine-running"`, `line 21: off_in_start: cannot be said of a slot that is engine-running; remove it or correct expected`},
		{"avoid not answered", "avoid = \"no\"\n", "", `line 10: avoid: missing; write no, or why nobody may touch it: airbag, belt-tensioner, abs, brakes, steering, engine-management, transmission, other`},
		{"avoid unknown", `avoid = "no"`, `avoid = "unknown"`, `line 22: avoid: not answered yet; write no, or why nobody may touch it: airbag, belt-tensioner, abs, brakes, steering, engine-management, transmission, other`},
		{"avoid misspelt", `"airbag"`, `"airbags"`, `line 36: avoid: "airbags" is not no and no reason to avoid a slot; did you mean "airbag"?`},
		{"avoided and switched by the network", `avoid = "airbag"`, "avoid = \"airbag\"\ncontrol = \"network\"", `line 35: expected: a slot that is avoided and switched by the network can be measured nowhere; remove expected, or correct avoid or control`},
		{"control", `control = "coil-pins"`, `control = "relay"`, "line 23: control: \"relay\" is not what switches a slot; write one of direct, coil-pins, network\nline 24: coil_pins: pins of a slot whose control is relay; remove them, or write control = \"coil-pins\""},
		{"no pins", `coil_pins = ["k1"]`, "", "line 9: id: \"k1\" switches no slot; name it under coil_pins of one, or remove it\nline 10: coil_pins: missing; write which pins make its relay pull in, like [\"x1-4\"], and a [[coil_pin]] for each"},
		{"another pin", `coil_pins = ["k1"]`, `coil_pins = ["k1", "k2"]`, `line 24: coil_pins: "k2" is not among the coil pins; did you mean "k1"?`},
		{"pin twice", `coil_pins = ["k1"]`, `coil_pins = ["k1", "k1"]`, `line 24: coil_pins: "k1" stands twice; write each pin once`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(smallBox, c.old, c.new, 1)
			if text == smallBox {
				t.Fatalf("%q is not in the box", c.old)
			}
			b, _, err := ParseBox([]byte(text))
			got := ""
			if err != nil {
				got = err.Error()
			}
			// A fault of the top comes first in the text, whatever the order here.
			if lines := strings.Split(got, "\n"); !slices.Equal(sorted(lines), sorted(strings.Split(c.want, "\n"))) || (err != nil) != reflect.DeepEqual(b, Box{}) {
				t.Errorf("\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

func sorted(lines []string) []string { return slices.Sorted(slices.Values(lines)) }

func TestTooMuchOfABoxIsRefused(t *testing.T) {
	for text, want := range map[string]string{
		"":                                       "line 1: no slot; add [[slot]] with id, kind, rating_a, row, column and what it should do",
		strings.Repeat("#", 1<<21):               "line 1: 2097152 bytes are too long for a box file; at most 1048576",
		strings.Repeat("[[slot]]\n", slotsMax+1): "[[slot]]; at most 128",
		strings.Repeat("[[coil_pin]]\n", coilPinsMax+1):                           "[[coil_pin]]; at most 64",
		"[[slot]]\ncoil_pins = [" + strings.Repeat("\"a\",", coilPinsMax+1) + "]": fmt.Sprintf("%d pins; at most 64", coilPinsMax+1),
	} {
		if _, _, err := ParseBox([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.20q: %v", text, err)
		}
	}
}

func TestTestPointsAreThoseOfTheKindUnlessSaid(t *testing.T) {
	b := boxOf(t, []byte(smallBox))
	if !b.Slots[0].HasTestPoints() || b.Slots[1].HasTestPoints() {
		t.Error("a miniature fuse has test points, one that is said to have none has none")
	}
}
