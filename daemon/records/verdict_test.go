package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"keyturn/daemon/records/recordstest"
	"keyturn/protocol"
)

// verdictOf is what a test says of two slots of a box; the second may be tested later.
func verdictOf(seq int64, id string, revision int, box string, second protocol.Outcome) *protocol.Verdict {
	reason := func(code string, o protocol.Outcome) protocol.List[protocol.VerdictReason] {
		return protocol.List[protocol.VerdictReason]{{Reason: code, Makes: o}}
	}
	return &protocol.Verdict{ResultHeader: head("s", seq), ID: id, Revision: revision, Box: box, BoxFileHash: strings.Repeat("0f", 32), Rounds: 2,
		Outcome: second, OfTested: second, Slots: protocol.List[protocol.SlotVerdict]{
			{Slot: "f01", Legend: "Radio", Outcome: protocol.OutcomePass, Reasons: reason("as-expected", protocol.OutcomePass)},
			{Slot: "f02", Outcome: second, Reasons: reason("contact", second)}}}
}

// Of a test the highest revision counts, in whatever order they come and whether in one
// batch or in several; tests are found by box, job and outcome, page by page.
func TestTestsOfBoxes(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := context.Background()
		add(t, s, encode(t, verdictOf(2, "t-1", 2, "cabin-8", protocol.OutcomeMarginal)))
		third := verdictOf(3, "t-1", 3, "cabin-8", protocol.OutcomeFail)
		third.Final, third.Job = true, "12"
		payload := encode(t, third)
		add(t, s, encode(t, verdictOf(1, "t-1", 1, "cabin-8", protocol.OutcomeNotProven)), payload)
		again := verdictOf(4, "t-2", 1, "cabin-8", protocol.OutcomePass)
		again.Supersedes = "t-1"
		add(t, s, encode(t, again))
		for i := range int64(4) {
			add(t, s, encode(t, verdictOf(5+i, fmt.Sprintf("t-1%d", i), 1, "engine-20", protocol.OutcomePass)))
		}
		v, got, err := s.VerdictPayload(ctx, "bench-1", "t-1")
		if err != nil || v.Revision != 3 || !v.Final || string(got) != string(payload) {
			t.Fatalf("%v, %+v", err, v)
		}
		if _, err := s.Verdict(ctx, "bench-2", "t-1"); !errors.Is(err, ErrNoVerdict) {
			t.Errorf("a test that is not there: %v", err)
		}
		if at, err := s.VerdictArrived(ctx, "bench-1", "t-1"); err != nil || at.IsZero() || at.After(s.now()) {
			t.Errorf("received %v, %v", at, err)
		}
		if _, err := s.VerdictArrived(ctx, "bench-2", "t-1"); !errors.Is(err, ErrNoVerdict) {
			t.Errorf("when a test that is not there was received: %v", err)
		}
		ids := func(f VerdictFilter) (out []string) {
			t.Helper()
			all, err := s.Verdicts(ctx, f)
			must(t, err)
			for _, v := range all {
				out = append(out, v.ID)
			}
			return out
		}
		for _, x := range []struct {
			f    VerdictFilter
			want []string
		}{
			{VerdictFilter{Box: "cabin-8"}, []string{"t-2", "t-1"}},
			{VerdictFilter{OfTested: protocol.OutcomeFail}, []string{"t-1"}},
			{VerdictFilter{OfTested: protocol.OutcomeMarginal}, nil}, // of an earlier revision
			{VerdictFilter{Box: "cabin-8", OfTested: protocol.OutcomePass}, []string{"t-2"}},
			{VerdictFilter{Job: "12"}, []string{"t-1"}},
			{VerdictFilter{Limit: 4}, []string{"t-13", "t-12", "t-11", "t-10"}},
			{VerdictFilter{Before: VerdictRef{"bench-1", "t-10"}}, []string{"t-2", "t-1"}},
		} {
			if got := ids(x.f); !slices.Equal(got, x.want) {
				t.Errorf("%+v: %v, want %v", x.f, got, x.want)
			}
		}
		if _, err := s.Verdicts(ctx, VerdictFilter{Before: VerdictRef{"bench-1", "none"}}); !errors.Is(err, ErrNoVerdict) {
			t.Errorf("after a test that is not there: %v", err)
		}
		if ref, found, err := s.SupersededBy(ctx, "bench-1", "t-1"); err != nil || !found || ref != (VerdictRef{"bench-1", "t-2"}) {
			t.Errorf("%+v, %v, %v", ref, found, err)
		}
		if _, found, err := s.SupersededBy(ctx, "bench-1", "t-2"); err != nil || found {
			t.Errorf("nothing supersedes it: %v, %v", found, err)
		}
		slots, err := rows(ctx, s, func(row scanner) (string, error) {
			var slot, outcome, reason string
			err := row.Scan(&slot, &outcome, &reason)
			return slot + " " + outcome + " " + reason, err
		}, "SELECT slot, outcome, reason FROM verdicts WHERE test=$1 ORDER BY slot", "t-1")
		if err != nil || !slices.Equal(slots, []string{"f01 pass as-expected", "f02 fail contact"}) {
			t.Errorf("the view has %q, %v", slots, err)
		}
	})
}

// A key cycle is found by what the test that rests on it says of its slots, as it says
// now, and leads to that test.
func TestCyclesByVerdict(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := context.Background()
		add(t, s, encode(t, cycle(1, "1", 1, true, protocol.Permanent)), encode(t, cycle(2, "2", 1, true, protocol.Permanent)))
		v := verdictOf(3, "t-1", 1, "cabin-8", protocol.OutcomeMarginal)
		v.Cycles = protocol.List[string]{"0123abcd-1", "0123abcd-2"}
		add(t, s, encode(t, v))
		v.Seq, v.Revision, v.Cycles, v.Slots = 4, 2, v.Cycles[:1], verdictOf(4, "t-1", 2, "cabin-8", protocol.OutcomeFail).Slots
		v.Slots[1].Slot = "f18"
		add(t, s, encode(t, v))
		for _, x := range []struct {
			f    Filter
			want int
		}{{Filter{Verdict: protocol.OutcomeFail}, 1}, {Filter{Verdict: protocol.OutcomeMarginal}, 0}, {Filter{Verdict: protocol.OutcomePass}, 1},
			{Filter{Verdict: protocol.OutcomeFail, Slot: "f18"}, 1}, {Filter{Verdict: protocol.OutcomePass, Slot: "f18"}, 0}, {Filter{}, 2}} {
			if got, err := s.Cycles(ctx, x.f); err != nil || len(got) != x.want {
				t.Errorf("%+v: %d key cycles, want %d; %v", x.f, len(got), x.want, err)
			}
		}
		if got, err := s.TestsOfCycle(ctx, "bench-1", "0123abcd-1"); err != nil || !slices.Equal(got, []VerdictRef{{"bench-1", "t-1"}}) {
			t.Errorf("%v, %v", got, err)
		}
		if got, err := s.TestsOfCycle(ctx, "bench-1", "0123abcd-2"); err != nil || len(got) != 0 {
			t.Errorf("the later revision does not rest on it: %v, %v", got, err)
		}
	})
}

// What a list is asked for is found without walking every test.
func TestTestsOfBoxesUseIndexes(t *testing.T) {
	s := open(t, "sqlite")
	for text, want := range map[string]string{ // each by itself
		latestVerdict + " WHERE 1=1 ORDER BY v.arrived DESC, v.bench DESC, v.id DESC LIMIT 50":        "SCAN v USING INDEX verdict_by_arrival",
		latestVerdict + " WHERE v.box = 'b' ORDER BY v.arrived DESC, v.bench DESC, v.id DESC LIMIT 9": "SEARCH v USING INDEX verdict_by_box (box=?)",
		"SELECT id FROM verdict WHERE bench = 'b' AND supersedes = 't'":                               "SEARCH verdict USING INDEX verdict_by_superseded (bench=? AND supersedes=?)",
	} {
		lines, err := rows(context.Background(), s, func(row scanner) (string, error) {
			var id, parent, unused int
			var detail string
			err := row.Scan(&id, &parent, &unused, &detail)
			return detail, err
		}, "EXPLAIN QUERY PLAN "+text)
		must(t, err)
		if got := strings.Join(lines, "\n"); !strings.Contains(got, want) || strings.Contains(got, "TEMP B-TREE") {
			t.Errorf("%s: no %q, or sorted, in\n%s", text, want, got)
		}
	}
}

// Records of the program before know no tests of boxes; after their step they do.
func TestTestsOfBoxesComeToOldRecords(t *testing.T) {
	for driver, url := range map[string]string{"sqlite": filepath.Join(t.TempDir(), "old.db"), "pgx": recordstest.Postgres(t)} { // each by itself
		ctx := context.Background()
		before := slices.IndexFunc(steps(), func(x []string) bool { return slices.Equal(x, verdictTables()) })
		db, err := sql.Open(driver, url)
		must(t, err)
		_, err = db.ExecContext(ctx, "CREATE TABLE schema_version (version BIGINT NOT NULL)")
		must(t, err)
		for v, statements := range steps()[:before] {
			must(t, step(ctx, db, statements, v+1))
		}
		must(t, db.Close())
		s, err := Open(ctx, Options{URL: url})
		must(t, err)
		add(t, s, encode(t, verdictOf(1, "t-1", 1, "cabin-8", protocol.OutcomePass)))
		_, err = s.Verdict(ctx, "bench-1", "t-1")
		must(t, err)
		must(t, s.Close())
	}
}
