package main

import (
	"bytes"
	"strings"
	"testing"
)

// markOf runs the command as it is typed, on a whole key cycle.
func markOf(t *testing.T, exercise string, args ...string) (string, error) {
	t.Helper()
	var c exerciseMark
	if err := typed(t, &c, append([]string{"../../testdata/exercises/" + exercise + ".toml", wholeCycle}, args...)...); err != nil {
		return "", err
	}
	var b bytes.Buffer
	err := c.print(t.Context(), &b, 120)
	return b.String(), err
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
