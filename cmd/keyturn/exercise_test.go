package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func validated(t *testing.T, c exerciseValidate) (string, error) {
	t.Helper()
	var out bytes.Buffer
	err := c.check(&out)
	return out.String(), err
}

func TestExercisesAreValidated(t *testing.T) {
	good := "../../testdata/exercises/bad-joint.toml"
	got, err := validated(t, exerciseValidate{Files: []string{good}})
	want := good + ": exercise bad-joint, grade 5, 2 questions for 10 marks, on box trainer-8: all right\n" +
		"  planted in t1: series-resistance through 10 ohm of 50 W; at most 25.6 W, (16 V)²/10 ohm\n"
	if err != nil || got != want {
		t.Errorf("%q, %v", got, err)
	}

	text, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	box, err := filepath.Abs("../../testdata/boxes/trainer-8.toml")
	if err != nil {
		t.Fatal(err)
	}
	elsewhere := strings.Replace(string(text), "../boxes/trainer-8.toml", box, 1)
	for name, x := range map[string]struct{ text, want string }{ // each by itself
		"few watts":  {strings.Replace(elsewhere, "watts = 50", "watts = 20", 1), "line 22: watts: 20 W are too few: 25.6 W at worst"},
		"a typo":     {strings.Replace(elsewhere, "grade", "grde", 1), `unknown key "grde"`},
		"no box":     {string(text), "read the box file"},
		"not a box":  {strings.Replace(elsewhere, box, put(t, "box.toml", "id = 1"), 1), "box file "},
		"absent box": {strings.Replace(elsewhere, "trainer-8", "trainer-9", 1), "read the box file"},
	} {
		got, err := validated(t, exerciseValidate{Files: []string{put(t, "e.toml", x.text), good}})
		if !errors.Is(err, errUnfit) || !strings.Contains(got, x.want) || !strings.HasSuffix(got, want) {
			t.Errorf("%s: %q, %v", name, got, err)
		}
	}
	if got, err := validated(t, exerciseValidate{Files: []string{"no-such-file"}}); !errors.Is(err, errUnfit) || !strings.Contains(got, "read the exercise file") {
		t.Errorf("%q, %v", got, err)
	}
}

// With a bench file, what its leads lack is told.
func TestExercisesAreHeldToABench(t *testing.T) {
	got, err := validated(t, exerciseValidate{Files: []string{"../../testdata/exercises/the-dip.toml"}, Bench: "../../testdata/benches/salvage.toml"})
	for _, want := range []string{"all right\n", "bench salvage: the subject of the exercise is vehicle, that of bench salvage is off-vehicle", "slot f11 is avoided (airbag) and has a lead: remove it for an exercise", "slot f01 is asked about and has no lead"} {
		if !errors.Is(err, errUnfit) || !strings.Contains(got, want) {
			t.Errorf("no %q in %q, %v", want, got, err)
		}
	}
	if _, err := validated(t, exerciseValidate{Bench: "no-such-file"}); err == nil || errors.Is(err, errUnfit) {
		t.Error(err)
	}
}
