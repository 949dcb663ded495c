package records

import (
	"context"
	"errors"
	"testing"
	"time"

	"keyturn/protocol"
)

// handedIn is the answer sheet of somebody who has handed in.
func handedIn(t *testing.T, s *Store, who string) AnswerSheet {
	t.Helper()
	ctx := context.Background()
	n, err := s.Release(ctx, Sitting{Exercise: "by-key", Title: "What follows the key", Bench: "bench-1", ReleasedBy: "ada"})
	must(t, err)
	id, err := s.Begin(ctx, n, who)
	must(t, err)
	must(t, s.Acknowledge(ctx, id, "yellow"))
	must(t, s.SaveAnswers(ctx, id, []Answer{{Question: "lamp-a", Text: "permanent", Hints: 1}}, true))
	a, err := s.AnswerSheet(ctx, id)
	must(t, err)
	return a
}

// marked gives somebody marks.
func marked(t *testing.T, s *Store, who string) AnswerSheet {
	t.Helper()
	a := handedIn(t, s, who)
	a.Got, a.Of, a.NotMarked, a.Cycle = 1.5, 4, 1, CycleRef{Bench: "bench-1", ID: "0123abcd-1"}
	must(t, s.Mark(context.Background(), a, nil))
	return a
}

// A sheet goes from the cautions to its marks in one direction only.
func TestAnAnswerSheetGoesOneWay(t *testing.T) {
	for _, kind := range []string{"sqlite", "postgres"} {
		s, ctx := open(t, kind), context.Background()
		a := handedIn(t, s, "cara")
		if a.Attempt != 1 || a.Answer("lamp-a") != (Answer{"lamp-a", "permanent", 1}) || a.Answer("lamp-b") != (Answer{Question: "lamp-b"}) || a.Meter != "yellow" || !a.Marked.IsZero() {
			t.Errorf("%s: %+v", kind, a)
		}
		wants := func(what string, err, want error) {
			t.Helper()
			if !errors.Is(err, want) {
				t.Errorf("%s: %s: %v, want %v", kind, what, err, want)
			}
		}
		wants("changed after handing in", s.SaveAnswers(ctx, a.ID, nil, false), ErrSheetFixed)
		wants("another meter after handing in", s.Acknowledge(ctx, a.ID, "red"), ErrSheetFixed)
		id, err := s.Begin(ctx, a.Sitting, "cara")
		wants("begun again before the marks", err, nil)
		if id != a.ID {
			t.Errorf("%s: a second sheet before the first is marked", kind)
		}
		wants("marked", s.Mark(ctx, a, nil), nil)
		wants("marked twice", s.Mark(ctx, a, nil), ErrNoSheet)
		_, err = s.Begin(ctx, a.Sitting, "cara")
		wants("another attempt that nobody allowed", err, ErrNotTaken)
		wants("allowed", s.Comment(ctx, a.ID, "again", "ada", true), nil)
		id, err = s.Begin(ctx, a.Sitting, "cara")
		wants("another attempt", err, nil)
		wants("answers before the cautions", s.SaveAnswers(ctx, id, nil, false), ErrSheetFixed)
		wants("ended", s.EndSitting(ctx, a.Sitting), nil)
		wants("ended twice", s.EndSitting(ctx, a.Sitting), ErrNoSitting)
		_, err = s.Begin(ctx, a.Sitting, "dan")
		wants("begun after the end", err, ErrNotTaken)
		wants("deleted", s.DeleteSitting(ctx, a.Sitting), nil)
		_, err = s.AnswerSheet(ctx, a.ID)
		wants("a sheet of a deleted sitting", err, ErrNoSheet)
	}
}

// Only a key cycle of which nothing had come at the hand-in marks a sheet.
func TestTheCycleAfterTheAnswers(t *testing.T) {
	for _, kind := range []string{"sqlite", "postgres"} {
		s, ctx := open(t, kind), context.Background()
		now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
		s.now = func() time.Time { now = now.Add(time.Second); return now }
		add(t, s, encode(t, cycle(1, "1", 1, false, protocol.Permanent)))
		a := handedIn(t, s, "cara")
		add(t, s, encode(t, cycle(2, "1", 2, true, protocol.Permanent))) // the rest of the one before
		if ref, err := s.CycleAfter(ctx, "bench-1", a.HandedIn); !errors.Is(err, ErrNone) {
			t.Errorf("%s: %v %v, want none yet", kind, ref, err)
		}
		add(t, s, encode(t, cycle(3, "2", 1, false, protocol.Permanent)))
		add(t, s, encode(t, cycle(4, "3", 1, false, protocol.Permanent)))
		if ref, err := s.CycleAfter(ctx, "bench-1", a.HandedIn); err != nil || ref.ID != cycle(3, "2", 1, false, protocol.Permanent).ID {
			t.Errorf("%s: %v %v, want the second", kind, ref, err)
		}
	}
}

// Nothing is left of an apprentice who is removed.
func TestAnswerSheetsGoWithTheirUser(t *testing.T) {
	for _, kind := range []string{"sqlite", "postgres"} {
		s, ctx := open(t, kind), context.Background()
		for _, u := range []User{{Name: "ada", Role: "instructor", Hash: "h", Key: "k1"}, {Name: "cara", Role: "apprentice", Hash: "h", Key: "k2"}} {
			must(t, s.AddUser(ctx, u))
		}
		marked(t, s, "cara")
		must(t, s.DeleteUser(ctx, "cara", "instructor"))
		if names, err := s.Sitters(ctx); err != nil || len(names) != 0 {
			t.Errorf("%s: %q %v", kind, names, err)
		}
	}
}
