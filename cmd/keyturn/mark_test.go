package main

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"keyturn/protocol"
)

// markOf runs the command as it is typed, on a whole key cycle.
func markOf(t *testing.T, exercise string, args ...string) (string, error) {
	t.Helper()
	return markBy(t, exercise, wholeCycle, args...)
}

func markBy(t *testing.T, exercise, cycle string, args ...string) (string, error) {
	t.Helper()
	var c exerciseMark
	if err := typed(t, &c, append([]string{"../../testdata/exercises/" + exercise + ".toml", cycle}, args...)...); err != nil {
		return "", err
	}
	var b bytes.Buffer
	err := c.print(t.Context(), &b, 120)
	return b.String(), err
}

// Volts at rest and while cranking are marked by the demo's own key cycle, in full; the
// file is to be read. Each meter shows of the same start what it can.
func TestVoltsAreMarked(t *testing.T) {
	printed, _, err := cycleOf(keyturn(t), t.TempDir(), 0)
	if err != nil {
		t.Fatal(err)
	}
	cycle := put(t, "cycle.json", string(printed))
	var all strings.Builder
	for _, x := range []struct {
		meter string
		args  []string
	}{
		{"yellow", []string{"--answer", "socket-rest=live 12.36 V", "--answer", "socket-dip=9.2 V", "--answer", "radio-dip=12.1 V", "--answer", "screen=accessory"}},
		{"yellow-min", []string{"--answer", "socket-rest=live 11.2 V", "--answer", "socket-dip=8.8 V", "--hint", "socket-dip=1", "--answer", "radio-dip=7.6 V", "--answer", "screen=accessory"}},
		{"recorder", []string{"--answer", "socket-rest=no volts", "--answer", "socket-dip=8.2 V", "--answer", "radio-dip=8.1 V", "--answer", "screen=ignition"}},
		{"recorder", nil},
	} {
		answer, err := markBy(t, "the-dip", cycle, append(x.args, "--meter", x.meter)...)
		if err != nil {
			t.Fatal(x.meter, err)
		}
		if strings.Contains(answer, "not marked") || !strings.Contains(answer, " of 12 marks") {
			t.Errorf("%s: not everything is marked:\n%s", x.meter, answer)
		}
		all.WriteString("# the-dip, " + x.meter + "\n" + answer + "\n")
	}
	wantAnswers(t, "testdata/marks-volts.txt", all.String())

	// A key cycle without volts, as older benches wrote it: then they are not marked, whatever
	// was answered.
	answer, err := markOf(t, "the-dip", "--meter", "yellow", "--answer", "socket-rest=no volts", "--answer", "radio-dip=12.1 V", "--answer", "screen=accessory")
	if err != nil || strings.Count(answer, "\n  not marked: ") != 2 || !strings.Contains(answer, "the bench kept no waveform") {
		t.Errorf("%v\n%s", err, answer)
	}
}

// Two apprentices' answers; the file is to be read.
func TestExerciseMarks(t *testing.T) {
	var all strings.Builder
	for _, x := range []struct {
		exercise string
		args     []string
	}{
		{"after-key-off", []string{"--answer", "radio=at once", "--answer", "wipers=1,0 s", "--answer", "lamps=10 min", "--hint", "lamps=1", "--answer", "socket=stays on", "--answer", "lamps-do=accessory"}},
		{"camera-feed", []string{"--answer", "restraint=yes", "--answer", "radio-switched=yes", "--answer", "screen-switched=no, off while cranking", "--answer", "socket-side=lower", "--load", "f01=2.5"}},
	} {
		answer, err := markOf(t, x.exercise, x.args...)
		if err != nil {
			t.Fatal(x.exercise, err)
		}
		all.WriteString("# " + x.exercise + "\n" + answer + "\n")
	}
	wantAnswers(t, "testdata/marks.txt", all.String())
}

// Slots that nobody may touch bear no lead: of them the box file alone tells. The file is to
// be read.
func TestAvoidedSlotsAreMarked(t *testing.T) {
	c, err := readCycleFile(wholeCycle)
	if err != nil {
		t.Fatal(err)
	}
	c.Slots = slices.DeleteFunc(c.Slots, func(s protocol.CycleSlot) bool { return s.Slot != "f01" })
	text, err := protocol.Encode(c)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := markBy(t, "hands-off", put(t, "cycle.json", string(text)),
		"--answer", "radio=yes", "--answer", "airbag=yes", "--answer", "belts=yes", "--answer", "anti-lock=no", "--answer", "steering=no", "--answer", "seats=no")
	if err != nil {
		t.Fatal(err)
	}
	wantAnswers(t, "testdata/marks-hands-off.txt", answer)
}

// What is not clear is asked back, all of it at once, and nothing is marked.
func TestExerciseMarkAsksBack(t *testing.T) {
	for _, x := range []struct {
		args []string
		says []string
	}{
		{[]string{"--answer", "none=1"}, []string{"--answer none", "no such question"}},
		{[]string{"--answer", "radio=soon", "--answer", "wipers=12 V"}, []string{"--answer radio", "--answer wipers"}},
		{[]string{"--hint", "lamps=1"}, []string{"--hint lamps=1"}},
		{[]string{"--answer", "lamps=1 s", "--hint", "lamps=-1"}, []string{"--hint lamps=-1"}},
		{[]string{"--meter", "none"}, []string{"--meter none"}},
		{[]string{"--load", "f99=1"}, []string{"no slot f99"}},
	} {
		out, err := markOf(t, "after-key-off", x.args...)
		if err == nil || out != "" {
			t.Errorf("%v: %v\n%s", x.args, err, out)
			continue
		}
		for _, want := range x.says {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%v: %q is not said in %v", x.args, want, err)
			}
		}
	}
}
