package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"keyturn/protocol"
)

// Filter says which key cycles are wanted; an empty member means any.
type Filter struct {
	Bench, Slot string
	Behaviour   protocol.Behaviour
	// Verdict is what the test of a fuse box that rests on them says of Slot; of any slot
	// where that is empty.
	Verdict protocol.Outcome
	// Job is the number of a job that they are in. Model, Year and Part are those of a
	// job that they are in: a model and a part number by their letters and digits.
	Job         int64
	Model, Part string
	Year        int64
	// From and To bound when they reached the records; To is the first instant too late.
	From, To time.Time
	// Before is the last of the list before: those that came earlier follow. One that
	// is not known is an ErrNone. A revision that comes later does not move a cycle.
	Before CycleRef
	// Limit is how many at most; zero means limitUsual.
	Limit int
}

// CycleRef names a key cycle.
type CycleRef struct{ Bench, ID string }

// limitUsual is how many cycles a list has unless told otherwise, limitMost at most.
const (
	limitUsual = 50
	limitMost  = 1000
)

// latest selects the highest revision of key cycles.
const latest = "SELECT r.payload FROM cycle c JOIN result r ON r.stream = c.stream AND r.seq = c.seq"

// Cycles returns the latest revision of key cycles, the latest cycle first.
func (s *Store) Cycles(ctx context.Context, f Filter) ([]*protocol.Cycle, error) {
	if f.Slot != "" || f.Behaviour != "" {
		if err := s.listAll(ctx); err != nil {
			return nil, fmt.Errorf("look for key cycles: %w", err)
		}
	}
	if f.Before != (CycleRef{}) {
		if _, err := s.Cycle(ctx, f.Before.Bench, f.Before.ID); err != nil {
			return nil, err
		}
	}
	q := f.query()
	out, err := rows(ctx, s, scanCycle, q.text, q.args...)
	if err != nil {
		return nil, fmt.Errorf("look for key cycles: %w", err)
	}
	return out, nil
}

// query walks the cycles from the latest on where most will fit, and goes from the
// jobs to their few cycles where jobs are asked for.
func (f *Filter) query() query {
	q := query{text: latest + " WHERE 1=1"}
	if f.Bench != "" {
		q.and("c.bench = ?", f.Bench)
	}
	if f.Slot != "" || f.Behaviour != "" {
		q.and("EXISTS (SELECT 1 FROM slot s WHERE s.bench = c.bench AND s.id = c.id")
		if f.Slot != "" {
			q.and("s.slot = ?", f.Slot)
		}
		if f.Behaviour != "" {
			q.and("s.behaviour = ?", string(f.Behaviour))
		}
		q.end(")")
	}
	if f.Verdict != "" {
		q.and("(c.bench, c.id) IN (SELECT x.bench, x.cycle FROM verdict_slot y JOIN verdict_cycle x ON x.bench = y.bench AND x.id = y.id WHERE y.outcome = ?", string(f.Verdict))
		if f.Slot != "" {
			q.and("y.slot = ?", f.Slot)
		}
		q.end(")")
	}
	f.jobs(&q)
	if !f.From.IsZero() {
		q.and("c.arrived >= ?", arrivedFrom(f.From))
	}
	if !f.To.IsZero() {
		q.and("c.arrived < ?", arrivedFrom(f.To))
	}
	if f.Before != (CycleRef{}) {
		q.and("(c.arrived, c.bench, c.id) < (SELECT b.arrived, b.bench, b.id FROM cycle b WHERE b.bench = ? AND b.id = ?)", f.Before.Bench, f.Before.ID)
	}
	q.end("ORDER BY c.arrived DESC, c.bench DESC, c.id DESC LIMIT ?", limit(f.Limit))
	return q
}

func (f *Filter) jobs(q *query) {
	model, part := plain(f.Model), plain(f.Part)
	if f.Job == 0 && model == "" && part == "" && f.Year == 0 {
		return
	}
	q.and("(c.bench, c.id) IN (SELECT jc.bench, jc.id FROM job_cycle jc JOIN job j ON j.number = jc.job WHERE 1=1")
	if f.Job != 0 {
		q.and("j.number = ?", f.Job)
	}
	if model != "" {
		q.and("j.plain_model = ?", model)
	}
	if part != "" {
		q.and("j.plain_part = ?", part)
	}
	if f.Year != 0 {
		q.and("j.year = ?", f.Year)
	}
	q.end(")")
}

// arrivedFrom is how an instant compares with times of arrival as they are stored.
func arrivedFrom(t time.Time) string { return t.UTC().Format(arrivedForm) }

// ErrNone is returned where there is no such key cycle.
var ErrNone = errors.New("no such key cycle")

// Cycle returns the latest revision of a key cycle, or an ErrNone.
func (s *Store) Cycle(ctx context.Context, bench, id string) (*protocol.Cycle, error) {
	c, err := scanCycle(s.db.QueryRowContext(ctx, latest+" WHERE c.bench = $1 AND c.id = $2", bench, id))
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("cycle %s of bench %s: %w", id, bench, ErrNone)
	}
	if err != nil {
		return nil, fmt.Errorf("cycle %s of bench %s: %w", id, bench, err)
	}
	return c, nil
}

func scanCycle(row scanner) (*protocol.Cycle, error) { return scanResult[*protocol.Cycle](row) }

// scanResult reads a stored document of one kind from a row that holds nothing else.
func scanResult[T protocol.Result](row scanner) (T, error) {
	var payload string
	if err := row.Scan(&payload); err != nil {
		var none T
		return none, err
	}
	return resultIn[T]([]byte(payload))
}

// resultIn reads a stored document of one kind.
func resultIn[T protocol.Result](payload []byte) (T, error) {
	d, err := protocol.Decode(payload)
	x, ok := d.(T)
	if err == nil && !ok {
		err = errNotResult
	}
	return x, err
}
