package config

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// exercisesRead reads every example of an exercise file.
func exercisesRead(t testing.TB) map[string][]byte {
	t.Helper()
	files, err := filepath.Glob("../../testdata/exercises/*.toml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no exercise files: %v", err)
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

// fitted reads an exercise and holds it to its box, one of the examples.
func fittedExercise(t testing.TB, text []byte) (Exercise, error) {
	t.Helper()
	e, err := ParseExercise(text)
	if err != nil {
		return e, err
	}
	box := boxOf(t, boxes(t)[strings.TrimSuffix(filepath.Base(e.BoxFile), ".toml")])
	return e, e.Fit(text, &box)
}

// The examples are valid, graded, and use every word between them.
func TestExampleExercises(t *testing.T) {
	used := map[string]bool{}
	all := exercisesRead(t)
	for _, name := range slices.Sorted(maps.Keys(all)) {
		e, err := fittedExercise(t, all[name])
		if err != nil || e.ID != name {
			t.Errorf("%s, %q: %v", name, e.ID, err)
		}
		writeAndReadExercise(t, e)
		used[fmt.Sprint("grade ", e.Grade)] = true
		used["subject "+e.Subject] = true
		for _, c := range e.Cautions {
			used["caution "+c] = true
		}
		for _, p := range e.Faults {
			used["fault "+p.Kind] = true
			used["line"] = used["line"] || p.Line != ""
			used["instruction"] = used["instruction"] || p.Instruction != ""
		}
		for _, q := range e.Questions {
			used["asks "+q.Asks] = true
			used["hint"] = used["hint"] || len(q.Hints) > 0
			if q.Want != nil {
				used["feed "+q.Want.Feed] = true
			}
		}
	}
	want := []string{"line", "instruction", "hint", "subject vehicle", "subject off-vehicle", "feed permanent", "feed switched",
		"fault series-resistance", "fault open", "fault back-feed"}
	for _, a := range asked() {
		want = append(want, "asks "+a)
	}
	for _, c := range CautionWords() {
		want = append(want, "caution "+c)
	}
	for g := range gradeMax {
		want = append(want, fmt.Sprint("grade ", g+1))
	}
	for _, x := range want {
		if !used[x] {
			t.Errorf("no example has %s", x)
		}
	}
	if len(all) < 6 {
		t.Errorf("%d examples, want 6", len(all))
	}
}

func writeAndReadExercise(t *testing.T, e Exercise) {
	t.Helper()
	text, err := e.TOML()
	if err != nil {
		t.Fatal(err)
	}
	again, err := ParseExercise(text)
	if err != nil || !reflect.DeepEqual(e, again) {
		t.Errorf("written and read again it differs: %v\n%s\n%+v\n%+v", err, text, e, again)
	}
}

// smallExercise is a whole exercise in few bytes, for inputs that are quickly changed.
const smallExercise = `id = "e"
title = "T"
grade = 5
box = "../boxes/trainer-8.toml"
subject = "off-vehicle"
cautions = ["battery", "meter", "hot"]
house_rules = ["Größe"]
meter = [{id = "m", readings_per_s = 4, integrates_ms = 100, percent = 0.5, counts = 2, digit_v = 0.01}]
fault = [{slot = "t1", kind = "back-feed", from = "t2", ohm = 47, watts = 10, line = "k1"}]
[[question]]
id = "q1"
asks = "fault"
slots = ["t1", "t2"]
marks = 4
hint = [{text = "A", cost = 1}, {text = "B", cost = 2}]
[[question]]
id = "q2"
asks = "volts"
slot = "t3"
key = "on"
marks = 2
[[question]]
id = "q3"
asks = "feed"
slot = "t4"
want = {feed = "switched", current_a = 1}
marks = 2
`

func TestEveryFaultOfAnExerciseIsToldWithItsLine(t *testing.T) {
	const planted = `fault = [{slot = "t1", kind = "back-feed", from = "t2", ohm = 47, watts = 10, line = "k1"}]`
	hatchback := strings.NewReplacer("trainer-8", "hatchback-24", `"t1"`, `"f01"`, `"t2"`, `"f02"`, `"t3"`, `"f18"`, `"t4"`, `"f05"`, `"hot"`, `"hot", "avoided"`)
	for _, c := range []struct{ name, old, new, want string }{
		{"as it is", "title", "title", ""},
		{"id", `id = "e"`, `id = "E 1"`, `line 1: id: "E 1" is no id; use 1 to 32 of a-z, 0-9 and -`},
		{"no title", `title = "T"`, ``, `line 1: title: missing; write what is practised, in a few words`},
		{"grade", "grade = 5", "grade = 6", `line 3: grade: 6 is no grade; write 1 (first steps) to 5 (finding faults)`},
		{"unknown key", "grade = 5", "grad = 5", "line 1: grade: 0 is no grade; write 1 (first steps) to 5 (finding faults)\nline 3: unknown key \"grad\"; did you mean \"grade\"?"},
		{"wrong type", "grade = 5", "grade = \"hard\"", "line 3: grade: a value of the wrong type; write a whole number"},
		{"no box", `box = "../boxes/trainer-8.toml"`, "", `line 1: box: missing; write the box file, relative to this one, like "../boxes/trainer-8.toml"`},
		{"subject", `"off-vehicle"`, `"car"`, `line 5: subject: "car" is not a subject; write one of off-vehicle, vehicle`},
		{"caution", `"meter"`, `"multimeter"`, "line 6: cautions: \"multimeter\" is not a caution; write one of battery, meter, engine, hot, avoided\nline 6: cautions: \"meter\" is missing; add it, for a meter on amperes is a short"},
		{"no cautions", `cautions = ["battery", "meter", "hot"]`, "", "line 1: cautions: \"battery\" is missing; add it, for whoever measures can short the battery or supply\nline 1: cautions: \"meter\" is missing; add it, for a meter on amperes is a short\nline 1: cautions: \"hot\" is missing; add it, for a planted resistor gets hot"},
		{"an empty rule", `"Größe"`, `""`, `line 7: house_rules: an empty text is no rule; write a sentence, or leave it out`},
		{"rule of two lines", `"Größe"`, `"a\nb"`, `line 7: house_rules: "a\nb" is no rule; write at most 240 bytes of one line`},
		{"meter", "readings_per_s = 4", "readings_per_s = 0", `line 8: readings_per_s: 0 is out of range; write 0.1 to 10000, usually 3 to 4 of a hand meter`},
		{"slow meter", "integrates_ms = 100", "integrates_ms = 400", `line 8: integrates_ms: 400 ms are longer than a reading lasts (250 ms); correct one of them`},
		{"volts without a meter", `meter = [{id = "m", readings_per_s = 4, integrates_ms = 100, percent = 0.5, counts = 2, digit_v = 0.01}]`, "", `line 18: asks: volts without a meter; add [[meter]] with what its papers say`},
		{"short", `"back-feed"`, `"short"`, "line 9: kind: \"short\" is refused; a short is never planted: it burns, and shows nothing that series-resistance does not\nline 9: ohm: only of a series-resistance or back-feed; remove ohm and watts\nline 9: from: only of a back-feed; remove it"},
		{"another fault", `"back-feed"`, `"opened"`, "line 9: kind: \"opened\" is not a fault that may be planted; did you mean \"open\"?\nline 9: ohm: only of a series-resistance or back-feed; remove ohm and watts\nline 9: from: only of a back-feed; remove it"},
		{"back-feed without ohms", "ohm = 47, ", "", `line 9: ohm: missing; a back-feed without a resistor is a short: write its ohms, and its watts`},
		{"back-feed from nowhere", `from = "t2", `, "", `line 9: from: missing; write the slot whose volts come back`},
		{"back-feed from itself", `from = "t2"`, `from = "t1"`, `line 9: from: "t1" is the slot itself; write another`},
		{"no watts", "watts = 10, ", "", `line 9: watts: 0 is out of range; write 0.1 to 1000, what the resistor may turn into heat for good`},
		{"neither line nor instruction", `, line = "k1"`, "", `line 9: instruction: missing; write what the instructor does with the supply off, or line = the relay line that plants it`},
		{"both", `line = "k1"`, `line = "k1", instruction = "x"`, `line 9: instruction: a relay line plants it; remove the instruction, or the line`},
		{"planted on a vehicle", `"off-vehicle"`, `"vehicle"`, "line 6: cautions: \"engine\" is missing; add it, for the engine of a vehicle is started\nline 9: kind: faults are planted on a training board or in a box on a bench supply, never on a vehicle; remove it, or write subject = \"off-vehicle\""},
		{"question twice", `id = "q2"`, `id = "q1"`, `line 17: id: "q1" is that of another question; give each its own`},
		{"asks", `asks = "volts"`, `asks = "amps"`, `line 18: asks: "amps" is not a question; write one of behaviour, feed-side, volts, lowest-v, stays-on, feed, fault, may-probe`},
		{"no marks", "marks = 4", "marks = 0", "line 14: marks: 0 is out of range; write 0.5 to 20\nline 15: hint: all hints together cost 3, more than the question's marks, 0; lower them"},
		{"hints too dear", "cost = 2", "cost = 4", `line 15: hint: all hints together cost 5, more than the question's marks, 4; lower them`},
		{"an empty hint", `text = "B"`, `text = ""`, `line 15: text: an empty text is no hint; write a sentence, or leave it out`},
		{"no key", "key = \"on\"\n", "", `line 16: key: missing; a question that asks volts needs it`},
		{"key", `key = "on"`, `key = "start"`, `line 20: key: "start" is not a key position in which to measure at rest; write one of off, accessory, on, running`},
		{"key of another", `asks = "volts"`, `asks = "behaviour"`, `line 20: key: only of a question that asks volts; remove it, or correct asks`},
		{"want", `want = {feed = "switched", current_a = 1}`, `want = {feed = "both"}`, "line 26: feed: \"both\" is not a kind of feed; write one of permanent, switched\nline 26: current_a: 0 is out of range; write 0.001 to 100, the most that the accessory draws"},
		{"no slots", "slots = [\"t1\", \"t2\"]\n", "", "line 10: slots: missing; a question that asks fault needs it"},
		{"slot twice", `["t1", "t2"]`, `["t1", "t1"]`, `line 13: slots: "t1" stands twice; write each slot once`},
		{"no slot", "slot = \"t3\"\n", "", `line 16: slot: missing; write the slot of the box that is asked about`},
		{"a slot where slots are", `slots = ["t1", "t2"]`, "slots = [\"t1\", \"t2\"]\nslot = \"t1\"", `line 14: slot: which slot is faulty is asked; write slots = [...], those to look at`},

		// What only the box tells.
		{"another slot", `slot = "t3"`, `slot = "t9"`, `line 19: slot: "t9" is not a slot of box trainer-8; did you mean "t1"?`},
		{"another slot among some", `["t1", "t2"]`, `["t1", "f02"]`, `line 13: slots: "f02" is not a slot of box trainer-8; did you mean "t2"?`},
		{"another faulty slot", `slot = "t1", kind`, `slot = "x1", kind`, `line 9: slot: "x1" is not a slot of box trainer-8; did you mean "t1"?`},
		{"too few watts", "watts = 10", "watts = 5", `line 9: watts: 5 W are too few: 5.45 W at worst, (16 V)²/47 ohm; take a resistor of more watts or other ohms`},
		{"too much comes back", "ohm = 47, watts = 10", "ohm = 3, watts = 200", `line 9: ohm: 3 ohm let 5.33 A flow back, more than the 5 A fuse of t1 or t2; take more ohms`},
		{"few ohms behind a fuse", planted, `fault = [{slot = "t1", kind = "series-resistance", ohm = 0.2, watts = 9, line = "k1"}]`, `line 9: watts: 9 W are too few: 9.11 W at worst, (1.35·5 A)²·0.2 ohm; take a resistor of more watts or other ohms`},
		{"nobody asks about it", planted, `fault = [{slot = "t5", kind = "open", line = "k1"}]`, `line 9: slot: no question is about "t5"; ask about it, or remove the fault`},
		{"nothing to time", "asks = \"feed\"\nslot = \"t4\"\nwant = {feed = \"switched\", current_a = 1}", "asks = \"stays-on\"\nslot = \"t8\"", `line 24: asks: "t8" should be none and has no time after key-off; ask its behaviour`},
		{"nothing while cranking", "asks = \"feed\"\nslot = \"t4\"\nwant = {feed = \"switched\", current_a = 1}", "asks = \"lowest-v\"\nslot = \"t3\"", `line 24: asks: "t3" should be off while cranking and has no volts while cranking to be read; ask its behaviour`},
		{"box with avoided slots", smallExercise, strings.Replace(hatchback.Replace(smallExercise), `, "avoided"`, "", 1), `line 6: cautions: "avoided" is missing; add it, for box hatchback-24 has slots that nobody may touch`},
		{"a question about an avoided slot", smallExercise, strings.Replace(hatchback.Replace(smallExercise), `slot = "f18"`, `slot = "f07"`, 1), `line 19: slot: "f07" (Airbag unit) is avoided (airbag): of it only may-probe can be asked, and nothing is planted; ask about another slot`},
		{"an avoided slot among some", smallExercise, strings.Replace(hatchback.Replace(smallExercise), `["f01", "f02"]`, `["f01", "f09"]`, 1), `line 13: slots: "f09" (Anti-lock brakes) is avoided (abs): of it only may-probe can be asked, and nothing is planted; ask about another slot`},
		{"a fault in an avoided slot", smallExercise, strings.Replace(hatchback.Replace(smallExercise), `slot = "f01", kind`, `slot = "f08", kind`, 1), `line 9: slot: "f08" (Belt tensioners) is avoided (belt-tensioner): of it only may-probe can be asked, and nothing is planted; ask about another slot`},
		{"a back-feed from an avoided slot", smallExercise, strings.Replace(hatchback.Replace(smallExercise), `from = "f02"`, `from = "f12"`, 1), `line 9: from: "f12" (Brake lamp switch) is avoided (brakes): of it only may-probe can be asked, and nothing is planted; ask about another slot`},
		{"whether it may be probed", smallExercise, strings.Replace(hatchback.Replace(smallExercise), "asks = \"volts\"\nslot = \"f18\"\nkey = \"on\"", "asks = \"may-probe\"\nslot = \"f07\"", 1), ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := []byte(strings.Replace(smallExercise, c.old, c.new, 1))
			if c.want != "" && string(text) == smallExercise {
				t.Fatalf("%q is not in the exercise", c.old)
			}
			_, err := fittedExercise(t, text)
			got := ""
			if err != nil {
				got = err.Error()
				var faults Faults
				if !errors.As(err, &faults) {
					t.Fatalf("%T", err)
				}
				told(t, text, faults)
			}
			if lines := strings.Split(got, "\n"); !slices.Equal(sorted(lines), sorted(strings.Split(c.want, "\n"))) {
				t.Errorf("\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

func TestTooMuchOfAnExerciseIsRefused(t *testing.T) {
	for text, want := range map[string]string{ // each by itself
		"":                                   "line 1: no question; add [[question]] with id, asks, slot and marks",
		strings.Repeat("#", 1<<21):           "line 1: 2097152 bytes are too long for an exercise file; at most 1048576",
		strings.Repeat("[[question]]\n", 65): "65 times question; at most 64",
		strings.Repeat("[[fault]]\n", 17):    "17 times fault; at most 16",
		strings.Repeat("[[meter]]\n", 9):     "9 times meter; at most 8",
		"[[question]]\nhint = [{},{},{},{},{},{},{},{},{}]":           "9 hints; at most 8",
		"[[question]]\nslots = [" + strings.Repeat(`"a",`, 129) + "]": "129 slots; at most 128",
	} {
		if _, err := ParseExercise([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.20q: %v", text, err)
		}
	}
	e, err := ParseExercise([]byte(smallExercise))
	if err != nil {
		t.Fatal(err)
	}
	draft := Box{Draft: true}
	if err := e.Fit([]byte(smallExercise), &draft); err == nil || !strings.Contains(err.Error(), "is a draft; finish and sign it") {
		t.Errorf("a draft of a box: %v", err)
	}
}

// The heat of planted resistors, worked by hand.
func TestWorstHeatOfPlantedResistors(t *testing.T) {
	trainer, minibus := boxOf(t, boxes(t)["trainer-8"]), boxOf(t, boxes(t)["minibus-48"])
	for _, x := range []struct {
		box  *Box
		p    PlantedFault
		want float64
	}{
		{&trainer, PlantedFault{Slot: "t1", Ohm: 10}, 25.6},                 // 16²/10, 1.6 A through a fuse of 5 A
		{&trainer, PlantedFault{Slot: "t1", Ohm: 0.1}, 4.55625},             // 160 A would flow: the fuse holds 6.75² · 0.1
		{&trainer, PlantedFault{Slot: "t3", Ohm: 0.1}, 18.225},              // a fuse of 10 A: 13.5² · 0.1
		{&trainer, PlantedFault{Slot: "t3", From: "t1", Ohm: 0.1}, 4.55625}, // the smaller of the two fuses
		{&minibus, PlantedFault{Slot: "s01", Ohm: 100}, 10.24},              // 32²/100
		{&trainer, PlantedFault{Slot: "t1"}, 0},
		{&trainer, PlantedFault{Slot: "none", Ohm: 10}, 0},
	} {
		if got, rule := x.p.WorstW(x.box); math.Abs(got-x.want) > 1e-9 || (rule == "") != (x.want == 0) {
			t.Errorf("%+v: %g W by %q, want %g", x.p, got, rule, x.want)
		}
	}
}

// An exercise says what a bench lacks for it, and never wants a lead where nobody may
// touch.
func TestBenchLacksForAnExercise(t *testing.T) {
	box := boxOf(t, boxes(t)["parcel-12"])
	bench, err := fitted(t, salvage(t), box)
	if err != nil {
		t.Fatal(err)
	}
	e := Exercise{Subject: offVehicle, Questions: []Question{{Asks: AsksBehaviour, Slot: "f03"}, {Asks: AsksFault, Slots: []string{"f03", "f04"}}, {Asks: AsksLowest, Slot: "f04"}, {Asks: AsksMayProbe, Slot: "f11"}, {Asks: AsksMayProbe, Slot: "f02"}}}
	want := []string{
		"slot f11 is avoided (airbag) and has a lead: remove it for an exercise",
		"slot f04 is asked about and has no lead: what nobody measures is not marked",
	}
	if got := e.FitBench(&bench, &box); !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	e.Subject, bench.Box = onVehicle, nil
	if got := e.FitBench(&bench, &box); len(got) != 4 || !strings.Contains(got[0], "subject") || !strings.Contains(got[1], "box parcel-12") {
		t.Errorf("%q", got)
	}
}

// An exercise file is either refused with a line of it, or is written and read as the
// same; held to a box, it asks for no lead in a slot that is avoided.
func FuzzExerciseFile(f *testing.F) {
	f.Add([]byte(smallExercise))
	for _, text := range exercisesRead(f) { // seeds
		f.Add(text)
	}
	f.Add([]byte("[[question]]\nmarks = nan\nwant = {current_a = inf}\nhint = [{cost = -1}]\n[[fault]]\nkind = \"short\"\nohm = -inf"))
	var all []Box
	for _, text := range boxes(f) { // any order
		all = append(all, boxOf(f, text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		e, err := ParseExercise(data)
		var faults Faults
		if err != nil {
			if !errors.As(err, &faults) || !reflect.DeepEqual(e, Exercise{}) {
				t.Fatalf("%T with %+v", err, e)
			}
			told(t, data, faults)
			return
		}
		writeAndReadExercise(t, e)
		for i := range all {
			box := &all[i]
			if err := e.Fit(data, box); err != nil {
				if !errors.As(err, &faults) {
					t.Fatalf("%T", err)
				}
				told(t, data, faults)
				continue
			}
			for _, q := range e.Questions {
				for _, s := range append(q.Slots, q.Slot) {
					if s != "" && q.Asks != AsksMayProbe && box.Slot(s).avoided() {
						t.Errorf("%s is avoided, and %s is asked", s, q.Asks)
					}
				}
			}
			for _, p := range e.Faults {
				if worst, _ := p.WorstW(box); box.Slot(p.Slot).avoided() || p.Kind != OpenCircuit && (p.Watts < worst || worst == 0) {
					t.Errorf("planted: %+v, %g W at worst", p, worst)
				}
			}
		}
	})
}
