package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"keyturn/protocol"
)

// VerdictFilter says which tests of fuse boxes are wanted; an empty member means any.
type VerdictFilter struct {
	// Box is the id of the box file, Job the number of a job as the test has it.
	Box, Job string
	// OfTested is the outcome of the slots that the bench could test.
	OfTested protocol.Outcome
	// Before is the last of the list before: those that came earlier follow. One that is
	// not known is an ErrNoVerdict. A revision that comes later does not move a test.
	Before VerdictRef
	// Limit is how many at most; zero means limitUsual.
	Limit int
}

// ErrNoVerdict is returned where there is no such test of a fuse box.
var ErrNoVerdict = errors.New("no such test of a fuse box")

const latestVerdict = "SELECT r.payload FROM verdict v JOIN result r ON r.stream = v.stream AND r.seq = v.seq"

// Verdicts returns the latest revision of tests, the latest test first.
func (s *Store) Verdicts(ctx context.Context, f VerdictFilter) ([]*protocol.Verdict, error) {
	if f.Before != (VerdictRef{}) {
		if _, err := s.Verdict(ctx, f.Before.Bench, f.Before.ID); err != nil {
			return nil, err
		}
	}
	q := query{text: latestVerdict + " WHERE 1=1"}
	for _, x := range []struct{ column, value string }{{"box", f.Box}, {"job", f.Job}, {"of_tested", string(f.OfTested)}} {
		if x.value != "" {
			q.and("v."+x.column+" = ?", x.value)
		}
	}
	if f.Before != (VerdictRef{}) {
		q.and("(v.arrived, v.bench, v.id) < (SELECT b.arrived, b.bench, b.id FROM verdict b WHERE b.bench = ? AND b.id = ?)", f.Before.Bench, f.Before.ID)
	}
	q.end("ORDER BY v.arrived DESC, v.bench DESC, v.id DESC LIMIT ?", limit(f.Limit))
	out, err := rows(ctx, s, scanVerdict, q.text, q.args...)
	if err != nil {
		return nil, fmt.Errorf("look for tests of fuse boxes: %w", err)
	}
	return out, nil
}

// Verdict returns the latest revision of a test, or an ErrNoVerdict.
func (s *Store) Verdict(ctx context.Context, bench, id string) (*protocol.Verdict, error) {
	v, _, err := s.VerdictPayload(ctx, bench, id)
	return v, err
}

// VerdictPayload returns the latest revision of a test, and the document as it came, byte
// for byte, or an ErrNoVerdict.
func (s *Store) VerdictPayload(ctx context.Context, bench, id string) (*protocol.Verdict, []byte, error) {
	var payload string
	err := s.db.QueryRowContext(ctx, latestVerdict+" WHERE v.bench = $1 AND v.id = $2", bench, id).Scan(&payload)
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNoVerdict
	}
	var v *protocol.Verdict
	if err == nil {
		v, err = resultIn[*protocol.Verdict]([]byte(payload))
	}
	if err != nil {
		return nil, nil, fmt.Errorf("test %s of bench %s: %w", id, bench, err)
	}
	return v, []byte(payload), nil
}

// VerdictArrived returns when the latest revision of a test was received, by this server's
// clock, or an ErrNoVerdict.
func (s *Store) VerdictArrived(ctx context.Context, bench, id string) (time.Time, error) {
	var text string
	err := s.db.QueryRowContext(ctx, `SELECT r.arrived FROM verdict v JOIN result r ON r.stream = v.stream AND r.seq = v.seq
		WHERE v.bench = $1 AND v.id = $2`, bench, id).Scan(&text)
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNoVerdict
	}
	var t time.Time
	if err == nil {
		t, err = time.Parse(arrivedForm, text)
	}
	if err != nil {
		return time.Time{}, fmt.Errorf("look when test %s of bench %s was received: %w", id, bench, err)
	}
	return t, nil
}

// SupersededBy returns the latest test that tested slots of another again; false while
// none did.
func (s *Store) SupersededBy(ctx context.Context, bench, id string) (VerdictRef, bool, error) {
	ref := VerdictRef{Bench: bench}
	err := s.db.QueryRowContext(ctx, "SELECT id FROM verdict WHERE bench = $1 AND supersedes = $2 ORDER BY arrived DESC, id DESC LIMIT 1", bench, id).Scan(&ref.ID)
	if errors.Is(err, sql.ErrNoRows) {
		return VerdictRef{}, false, nil
	}
	if err != nil {
		return VerdictRef{}, false, fmt.Errorf("look what supersedes test %s of bench %s: %w", id, bench, err)
	}
	return ref, true, nil
}

// TestsOfCycle returns the tests that rest on a key cycle, the latest first.
func (s *Store) TestsOfCycle(ctx context.Context, bench, cycle string) ([]VerdictRef, error) {
	scan := func(row scanner) (r VerdictRef, err error) {
		err = row.Scan(&r.Bench, &r.ID)
		return r, err
	}
	out, err := rows(ctx, s, scan, `SELECT v.bench, v.id FROM verdict_cycle x JOIN verdict v ON v.bench = x.bench AND v.id = x.id
		WHERE x.bench = $1 AND x.cycle = $2 ORDER BY v.arrived DESC, v.id DESC LIMIT $3`, bench, cycle, limitUsual)
	if err != nil {
		return nil, fmt.Errorf("look for the tests that rest on key cycle %s of bench %s: %w", cycle, bench, err)
	}
	return out, nil
}

// TestedBoxes returns the ids of the box files by which boxes were tested.
func (s *Store) TestedBoxes(ctx context.Context) ([]string, error) {
	text := func(row scanner) (x string, err error) {
		err = row.Scan(&x)
		return x, err
	}
	out, err := rows(ctx, s, text, "SELECT DISTINCT box FROM verdict ORDER BY box LIMIT $1", limitMost)
	if err != nil {
		return nil, fmt.Errorf("list the boxes that were tested: %w", err)
	}
	return out, nil
}

func scanVerdict(row scanner) (*protocol.Verdict, error) { return scanResult[*protocol.Verdict](row) }
