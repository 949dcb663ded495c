package main

import (
	"path/filepath"
	"testing"

	"keyturn/daemon/records"
)

// A demo that is started again on kept records finds its exercise released, and releases no
// second one; once it was ended, it is released anew.
func TestAPracticeIsReleasedOnce(t *testing.T) {
	const file = "../../testdata/exercises/by-key.toml"
	e, box, err := readExercise(file)
	if err != nil {
		t.Fatal(err)
	}
	p, err := newPractice(file, &e, &box, "tcp://127.0.0.1:1")
	if err != nil {
		t.Fatal(err)
	}
	s, err := records.Open(t.Context(), records.Options{URL: filepath.Join(t.TempDir(), "records.db")})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	open := func() []records.Sitting {
		t.Helper()
		if err := p.release(t.Context(), s); err != nil {
			t.Fatal(err)
		}
		out, err := s.Sittings(t.Context(), true, 0)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	open()
	first := open()
	if len(first) != 1 {
		t.Fatalf("%d exercises are open", len(first))
	}
	if err := s.EndSitting(t.Context(), first[0].Number); err != nil {
		t.Fatal(err)
	}
	if again := open(); len(again) != 1 || again[0].Number == first[0].Number {
		t.Errorf("after the end: %+v", again)
	}
}
