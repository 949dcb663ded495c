package config

import (
	"strings"
	"testing"
)

func f64(v float64) *float64 { return &v }

func truth(v bool) *bool { return &v }

// measuredSlots is what an invented key cycle showed.
func measuredSlots() []Measured {
	return []Measured{
		{Slot: "f01", Legend: "Radio", Behaviour: "accessory", StaysOnS: f64(4.5), UStaysOnS: 0.01, OffInStart: truth(true), Fuse: "in"},
		{Slot: "f02", Behaviour: "ignition", StaysOnS: f64(0.01), UStaysOnS: 0.0005, OffInStart: truth(false)},
		{Slot: "f03", Legend: "Lamps", Behaviour: "awake", StaysOnS: f64(600), UStaysOnS: 0.02, StaysOnOpen: true},
		{Slot: "f04", Behaviour: "not-proven", Possible: []string{"none", "start-only"}},
		{Slot: "f05", Behaviour: "permanent", OffInStart: truth(false)},
	}
}

// A limit is the measured time, twice its uncertainty and the margin, worked by hand:
// 4.5 s less and more 0.02 + 0.9; 0.01 s and 0.001 + 0.5; 600 s less 0.04 + 120.
func TestDraftHasLimitsAroundWhatWasMeasured(t *testing.T) {
	text, err := DraftBox("cabin-5", "key cycle 0123abcd-4200 of bench b", measuredSlots())
	if err != nil {
		t.Fatal(err)
	}
	b, open, err := ParseBox(text)
	if err != nil || !b.Draft {
		t.Fatalf("%v\n%s", err, text)
	}
	for i, want := range []struct {
		expected string
		least    float64
		most     *float64
		start    *bool
	}{
		{"accessory", 3.58, f64(5.42), truth(true)}, {"ignition", 0, f64(0.511), truth(false)}, {"awake", 479.96, nil, nil}, {"", 0, nil, nil}, {"permanent", 0, nil, truth(false)},
	} {
		s := b.Slots[i]
		if s.Expected != want.expected || s.StaysOnMinS != want.least || (s.StaysOnMaxS == nil) != (want.most == nil) ||
			s.StaysOnMaxS != nil && *s.StaysOnMaxS != *want.most || (s.OffInStart == nil) != (want.start == nil) || s.OffInStart != nil && *s.OffInStart != *want.start || s.Avoid != AvoidUnknown {
			t.Errorf("%+v, want %+v", s, want)
		}
	}
	// What a person must answer: five things of the box, six of each slot, and what the
	// fourth should do.
	if len(open) != 5+6*5+1 {
		t.Errorf("%d open: %v", len(open), open)
	}
	for _, want := range []string{"# measured: accessory, on for 4.500 s after key-off (k = 2: 0.020 s), off while cranking, fuse in\n", "# measured: not-proven, possible are none, start-only\n",
		"# measured: awake, still on 600.000 s after key-off\n", "common practice, no published source"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the draft lacks %q:\n%s", want, text)
		}
	}
}

// Draft, answers, signature: only then a bench takes the file.
func TestDraftIsTakenOnceItIsAnsweredAndSigned(t *testing.T) {
	draft, err := DraftBox("cabin-5", "a test", measuredSlots())
	if err != nil {
		t.Fatal(err)
	}
	text := strings.NewReplacer("draft = true", "", "datum = ''", `datum = "hinge at top"`, "zone = ''", `zone = "cabin"`,
		"highest_v = 0.0", "highest_v = 12", "rows = 0", "rows = 1", "columns = 0", "columns = 5", "rating_a = 0.0", "rating_a = 10",
		"kind = ''", `kind = "8820-3-F"`, "row = 0", "row = 1", "contacts = ''", `contacts = "left-right"`, "expected = ''", `expected = "none"`).Replace(string(draft))
	for _, column := range []string{"1", "2", "3", "4", "5"} {
		text = strings.Replace(text, "column = 0", "column = "+column, 1)
	}
	signed := strings.Replace(text, "id = 'cabin-5'", "id = 'cabin-5'\nsigned_by = \"Ada Fenn\"\nsigned_on = \"2026-10-14\"", 1)
	answered := func(text string) string { return strings.ReplaceAll(text, "avoid = 'unknown'", `avoid = "no"`) }
	for name, c := range map[string]struct {
		text  string
		fault string // empty: it is taken
	}{
		"nothing answered": {strings.Replace(signed, "avoid = 'unknown'", `avoid = "no"`, 4), "avoid: not answered yet"},
		"not signed":       {answered(text), "signed_by: missing"},
		"answered, signed": {answered(signed), ""},
	} {
		b, open, err := ParseBox([]byte(c.text))
		if c.fault == "" {
			if err != nil || len(open) > 0 || b.Refuses("f01", "vehicle", false) != "" {
				t.Errorf("%s: %v, open %v\n%s", name, err, open, c.text)
			}
			continue
		}
		if err == nil || strings.Count(err.Error(), "\n") > 0 || !strings.Contains(err.Error(), c.fault) {
			t.Errorf("%s: %v, want %s", name, err, c.fault)
		}
	}

	// As it is, a bench does not take it.
	b, _, err := ParseBox(draft)
	if err != nil {
		t.Fatal(err)
	}
	const want = `line 6: box: "../boxes/parcel-12.toml" is a draft; finish and sign it: keyturn box validate tells what it lacks`
	if _, err := fitted(t, salvage(t), b); err == nil || err.Error() != want {
		t.Errorf("\n%v\nwant\n%s", err, want)
	}
}

func TestDraftOfNothingOrOfHostileTextsIsRefusedOrClean(t *testing.T) {
	for name, slots := range map[string][]Measured{"no slot": nil, "too many": make([]Measured, slotsMax+1), "twice": {{Slot: "a"}, {Slot: "a"}}, "no id": {{Slot: "A\n"}}} {
		if text, err := DraftBox("b", "x", slots); err == nil || text != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := DraftBox("Box", "x", measuredSlots()); err == nil {
		t.Error("an id that is none")
	}
	hostile := "\"\n]]\x1b[2J\xff" + strings.Repeat("ü", 100)
	text, err := DraftBox("b", hostile, []Measured{{Slot: "a", Legend: hostile, Behaviour: hostile, Possible: []string{hostile}, StaysOnS: f64(-1e300), UStaysOnS: -1, Fuse: hostile}})
	if err != nil || strings.Contains(string(text), "\x1b") {
		t.Fatalf("%v\n%s", err, text)
	}
}
