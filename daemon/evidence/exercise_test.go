package evidence

import (
	"os"
	"slices"
	"testing"

	"keyturn/daemon/config"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

func readExercise(t *testing.T, name string) *config.Exercise {
	t.Helper()
	text, err := os.ReadFile("../../testdata/exercises/" + name)
	if err != nil {
		t.Fatal(err)
	}
	e, err := config.ParseExercise(text)
	if err != nil {
		t.Fatal(err)
	}
	return &e
}

// An exercise is read, answered and marked from its files and a key cycle.
func TestExerciseIsMarkedFromAKeyCycle(t *testing.T) {
	e, box := readExercise(t, "camera-feed.toml"), readBox(t)
	questions, found := Questions(e, box), Found(readCycle(t), box, e, nil)
	sheet := &judge.AnswerSheet{OnVehicle: true, Meter: judge.Meter{ReadingsPerS: 3.5}}
	for question, text := range map[string]string{"restraint": "no", "radio-switched": "yes", "screen-switched": "no, it is off while cranking", "socket-permanent": "yes", "lamps-permanent": "no, not permanent", "socket-side": "lower"} { // any order
		i := slices.IndexFunc(questions, func(q judge.Question) bool { return q.ID == question })
		said, err := questions[i].Read(text)
		if err != nil {
			t.Fatal(err)
		}
		sheet.Given = append(sheet.Given, judge.Given{Question: question, Said: said})
	}
	m := judge.MarkSheet(questions, found, sheet)
	if m.Got != 20 || m.Of != 20 || m.NotMarked != 0 {
		for _, x := range m.Marks {
			t.Logf("%+v", x)
		}
		t.Errorf("%g of %g, %d not marked", m.Got, m.Of, m.NotMarked)
	}
}

// A slot that bears no lead is known as far as its box file goes: f11, an airbag's, must
// have none on a vehicle, and is to be avoided all the same.
func TestSlotsWithoutALeadAreKnownFromTheBox(t *testing.T) {
	box, c := readBox(t), readCycle(t)
	c.Slots = slices.DeleteFunc(c.Slots, func(s protocol.CycleSlot) bool { return s.Slot == "f11" })
	found := Found(c, box, &config.Exercise{}, nil)
	if len(found) < len(box.Slots) {
		t.Errorf("%d slots of %d", len(found), len(box.Slots))
	}
	avoided := 0
	for _, f := range found {
		if b := box.Slot(f.Name); b != nil && f.Avoid != "" {
			avoided++
			if f.Name != "f11" || f.Avoid != b.Avoid || f.RatingA != b.RatingA {
				t.Errorf("%+v", f)
			}
		}
	}
	if avoided != 1 {
		t.Errorf("%d slots are avoided, want f11", avoided)
	}
}

// Who would probe an airbag, belt, brake or steering circuit gets nothing for it, and the
// instructor is told, though no lead was ever on one.
func TestAvoidedSlotsWithoutALeadAreDangerous(t *testing.T) {
	e := readExercise(t, "hands-off.toml")
	text, err := os.ReadFile("../../testdata/boxes/hatchback-24.toml")
	if err != nil {
		t.Fatal(err)
	}
	box, _, err := config.ParseBox(text)
	if err != nil {
		t.Fatal(err)
	}
	c := readCycle(t)
	c.Slots = slices.DeleteFunc(c.Slots, func(s protocol.CycleSlot) bool { return s.Slot != "f01" })
	questions := Questions(e, &box)
	for _, answer := range []judge.Answer{judge.Yes, judge.No} {
		sheet := &judge.AnswerSheet{}
		for i := range questions {
			sheet.Given = append(sheet.Given, judge.Given{Question: questions[i].ID, Said: judge.Said{Yes: answer}})
		}
		dangerous := 0
		for _, m := range judge.MarkSheet(questions, Found(c, &box, e, nil), sheet).Marks {
			avoided := box.Slot(m.Slot).Avoid != config.AvoidNo
			if avoided {
				dangerous++
			}
			if m.Danger != (avoided && answer == judge.Yes) || (m.Got == m.Of) == (avoided == (answer == judge.Yes)) {
				t.Errorf("%s, avoided %v, answered %v: %+v", m.Slot, avoided, answer, m)
			}
		}
		if dangerous == 0 {
			t.Error("nothing of it is avoided")
		}
	}
}

// A planted fault counts only where the bench bears it out.
func TestFaultsThatTheBenchBearsOut(t *testing.T) {
	box := &config.Box{Slots: []config.BoxSlot{{ID: "t1", Expected: "permanent"}, {ID: "t8", Expected: "none"}}}
	for _, x := range []struct {
		name, slot, planted string
		finding             protocol.SourceFinding
		behaviour           protocol.Behaviour
		sound               judge.Answer
		fault               judge.Amiss
	}{
		{"a bad joint that is found", "t1", "series-resistance", protocol.SourceHighResistance, "permanent", judge.No, judge.HighResistance},
		{"its relay stuck", "t1", "series-resistance", protocol.SourceFeed, "permanent", judge.NotKnown, ""},
		{"not tested", "t1", "series-resistance", "", "permanent", judge.NotKnown, ""},
		{"an open circuit", "t1", "open", protocol.SourceNone, "none", judge.No, judge.OpenCircuit},
		{"an open circuit with volts", "t1", "open", protocol.SourceFeed, "permanent", judge.NotKnown, ""},
		{"an open circuit where there is nothing", "t8", "open", protocol.SourceNone, "none", judge.NotKnown, ""},
		{"a back-feed", "t1", "back-feed", protocol.SourceFeed, "permanent", judge.NotKnown, ""},
		{"nothing planted", "t1", "", protocol.SourceFeed, "permanent", judge.Yes, ""},
		{"a bad joint that nobody planted", "t1", "", protocol.SourceHighResistance, "permanent", judge.No, judge.HighResistance},
		{"nothing planted, not tested", "t1", "", protocol.SourceNotProven, "permanent", judge.NotKnown, ""},
	} {
		c := &protocol.Cycle{Slots: []protocol.CycleSlot{{Slot: x.slot, Behaviour: x.behaviour}}}
		if x.finding != "" {
			c.Slots[0].Source = &protocol.SlotSource{Finding: x.finding}
		}
		e := &config.Exercise{}
		if x.planted != "" {
			e.Faults = []config.PlantedFault{{Slot: x.slot, Kind: x.planted}}
		}
		if got := Found(c, box, e, nil)[0]; got.Sound != x.sound || got.Fault != x.fault || slices.Contains(got.Amiss, judge.HighResistance) != (x.finding == protocol.SourceHighResistance) {
			t.Errorf("%s: %v %q, %v", x.name, got.Sound, got.Fault, got.Amiss)
		}
	}
}

func TestQuestionsAndMetersAreThoseOfTheFile(t *testing.T) {
	dip := readExercise(t, "the-dip.toml")
	if got, want := Meter(&dip.Meters[2]), (judge.Meter{ReadingsPerS: 20, IntegratesS: 0.04, Averages: 1, HoldsLowest: true, Percent: 0.8, Counts: 3, DigitV: 0.01}); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	camera, box := readExercise(t, "camera-feed.toml"), readBox(t)
	q := Questions(camera, box)
	if w := q[2].Want; !w.Switched || w.CurrentA != 0.8 || w.MinimumV != 7 || *w.OnAfterOffMostS != 5 || q[2].HintCosts[0] != 2 || q[2].Marks != 4 {
		t.Errorf("%+v", q[2])
	}
	if w := q[3].Want; w.Switched || w.OnAfterOffMostS != nil || !slices.Equal(q[5].Sides, []string{"upper", "lower"}) {
		t.Errorf("%+v, %+v", w, q[5])
	}
	three := &config.Box{Slots: []config.BoxSlot{{ID: "f05", Kind: "micro-three-blades", Contacts: "left-right"}}}
	x := Questions(&config.Exercise{Questions: []config.Question{{ID: "a", Asks: config.AsksFeedSide, Slot: "f05"}}}, three)
	if said, err := x[0].Read("centre"); err != nil || said.Side != "middle" {
		t.Errorf("%+v, %v", said, err)
	}
}
