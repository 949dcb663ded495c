package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"keyturn/protocol"
)

// insertCycle makes a cycle the latest of its id, unless a higher revision is there,
// and its slots what can be looked up.
func insertCycle(ctx context.Context, tx *sql.Tx, c *protocol.Cycle, arrived string) error {
	res, err := tx.ExecContext(ctx, `INSERT INTO cycle (bench, id, revision, final, ended, stream, seq, wall, arrived)
		VALUES ($1,$2,$3,$4,$5,$6,$7,$8,$9)
		ON CONFLICT (bench, id) DO UPDATE SET revision=excluded.revision, final=excluded.final, ended=excluded.ended,
			stream=excluded.stream, seq=excluded.seq, wall=excluded.wall WHERE cycle.revision < excluded.revision`,
		c.Bench, c.ID, c.Revision, c.Final, orNull(c.Ended), c.Stream, c.Seq, orNull(c.Wall), arrived)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return err
	}
	for _, table := range []string{"slot", "transition"} {
		if _, err := tx.ExecContext(ctx, "DELETE FROM "+table+" WHERE bench=$1 AND id=$2", c.Bench, c.ID); err != nil {
			return err
		}
	}
	for i := range c.Slots {
		if err := insertSlot(ctx, tx, c, &c.Slots[i]); err != nil {
			return fmt.Errorf("slot %s: %w", c.Slots[i].Slot, err)
		}
	}
	return nil
}

func insertSlot(ctx context.Context, tx *sql.Tx, c *protocol.Cycle, s *protocol.CycleSlot) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO slot (bench, id, slot, legend, behaviour, stays_on_s, off_in_start, watched_s, lowest_v)
		VALUES ($1,$2,$3,$4,$5,$6,$7,$8,$9) ON CONFLICT DO NOTHING`,
		c.Bench, c.ID, s.Slot, orNull(s.Legend), string(s.Behaviour), number(s.StaysOnS), s.OffInStart, float64(s.WatchedS), lowest(s))
	if err != nil {
		return err
	}
	for i := range s.Leads {
		for _, t := range s.Leads[i].Transitions {
			_, err := tx.ExecContext(ctx, `INSERT INTO transition (bench, id, slot, lead, transition, state, after_key_on_s, u_us)
				VALUES ($1,$2,$3,$4,$5,$6,$7,$8) ON CONFLICT DO NOTHING`,
				c.Bench, c.ID, s.Slot, s.Leads[i].Lead, t.ID, string(t.State), afterKeyOn(c, t.AtNS), float64(t.UUS))
			if err != nil {
				return err
			}
		}
	}
	return nil
}

func number[T ~float64](v *T) any {
	if v == nil {
		return nil
	}
	return float64(*v)
}

// lowest is the lowest voltage of a slot while cranking; nil where none was measured.
func lowest(s *protocol.CycleSlot) any {
	var least *protocol.Volts
	for i := range s.Leads {
		for k := range s.Leads[i].Crank {
			if sag := s.Leads[i].Crank[k].Sag; sag != nil && (least == nil || sag.MinV < *least) {
				least = &sag.MinV
			}
		}
	}
	return number(least)
}

// afterKeyOn is an instant in seconds after the first position other than off.
func afterKeyOn(c *protocol.Cycle, atNS int64) any {
	if len(c.Key) == 0 {
		return nil
	}
	return float64(atNS-c.Key[0].AtNS) / 1e9
}

// Filter says which key cycles are wanted; an empty member means any.
type Filter struct {
	Bench, Slot string
	Behaviour   protocol.Behaviour
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

func scanCycle(row scanner) (*protocol.Cycle, error) {
	var payload string
	if err := row.Scan(&payload); err != nil {
		return nil, err
	}
	return cycleIn([]byte(payload))
}

func cycleIn(payload []byte) (*protocol.Cycle, error) {
	d, err := protocol.Decode(payload)
	if err != nil {
		return nil, err
	}
	c, ok := d.(*protocol.Cycle)
	if !ok {
		return nil, errNotResult
	}
	return c, nil
}
