package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"
)

// ItemKind is a list in a job.
type ItemKind string

// The lists of a job whose items have a number.
const (
	FittingItem ItemKind = "fitting"
	CodeItem    ItemKind = "code"
	NoteItem    ItemKind = "note"
	PhotoItem   ItemKind = "photo"
)

// JobItemsMost is how many items each list of a job holds.
const JobItemsMost = 100

// PutCycle puts a key cycle into a job, or gives it another phase there. One that the
// records do not have is an ErrNone.
func (s *Store) PutCycle(ctx context.Context, c JobCycle, by string) error {
	if !slices.Contains(CyclePhases(), c.Phase) {
		return Faults{{"Phase", "Before, fitted or removed."}}
	}
	return s.inJob(ctx, c.Job, func(tx *sql.Tx) error {
		var there int
		if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM cycle WHERE bench=$1 AND id=$2", c.Bench, c.ID).Scan(&there); err != nil {
			return err
		}
		if there == 0 {
			return fmt.Errorf("cycle %s of bench %s: %w", c.ID, c.Bench, ErrNone)
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO job_cycle (job, bench, id, phase, at, by_whom) VALUES ($1,$2,$3,$4,$5,$6)
			ON CONFLICT (job, bench, id) DO UPDATE SET phase=excluded.phase, at=excluded.at, by_whom=excluded.by_whom`,
			c.Job, c.Bench, c.ID, string(c.Phase), s.stamp(), by)
		if err != nil {
			return err
		}
		return room(ctx, tx, "job_cycle", c.Job)
	})
}

// DropCycle takes a key cycle out of a job.
func (s *Store) DropCycle(ctx context.Context, job int64, c CycleRef) error {
	return s.inJob(ctx, job, func(tx *sql.Tx) error {
		return one(tx.ExecContext(ctx, "DELETE FROM job_cycle WHERE job=$1 AND bench=$2 AND id=$3", job, c.Bench, c.ID))
	})
}

// JobsOfCycle returns where a key cycle was put.
func (s *Store) JobsOfCycle(ctx context.Context, c CycleRef) ([]JobCycle, error) {
	out, err := rows(ctx, s, scanJobCycle, "SELECT job, bench, id, phase, at, by_whom FROM job_cycle WHERE bench=$1 AND id=$2 ORDER BY job", c.Bench, c.ID)
	if err != nil {
		return nil, fmt.Errorf("jobs of cycle %s: %w", c.ID, err)
	}
	return out, nil
}

func scanJobCycle(row scanner) (c JobCycle, err error) {
	var at string
	if err := row.Scan(&c.Job, &c.Bench, &c.ID, &c.Phase, &at, &c.By); err != nil {
		return c, err
	}
	c.Put, err = time.Parse(time.RFC3339Nano, at)
	return c, err
}

// PutFitting keeps a new fitting, or replaces the one of its ID.
func (s *Store) PutFitting(ctx context.Context, f Fitting, by string) error {
	if err := f.Check(); err != nil {
		return err
	}
	values := []any{f.Accessory, f.Slot, f.FeedSide, f.OriginalFuseA, f.AddedFuseA, f.WireMM2, f.EarthPoint, f.CableRoute, f.FittedBy, f.FittedOn}
	if f.ID == 0 {
		return s.inJob(ctx, f.Job, func(tx *sql.Tx) error {
			return s.insertItem(ctx, tx, FittingItem, f.Job, by, `accessory, slot, feed_side, original_fuse_a, added_fuse_a, wire_mm2, earth_point,
				cable_route, fitted_by, fitted_on) VALUES ($1,$2,$3,$4,$5,$6,$7,$8,$9,$10,$11,$12,$13,$14)`, values...)
		})
	}
	return s.inJob(ctx, f.Job, func(tx *sql.Tx) error {
		return one(tx.ExecContext(ctx, `UPDATE job_fitting SET at=$3, by_whom=$4, accessory=$5, slot=$6, feed_side=$7, original_fuse_a=$8, added_fuse_a=$9,
			wire_mm2=$10, earth_point=$11, cable_route=$12, fitted_by=$13, fitted_on=$14 WHERE job=$1 AND id=$2`,
			append([]any{f.Job, f.ID, s.stamp(), by}, values...)...))
	})
}

const fittingColumns = `f.job, f.id, f.accessory, f.slot, f.feed_side, f.original_fuse_a, f.added_fuse_a, f.wire_mm2, f.earth_point,
	f.cable_route, f.fitted_by, f.fitted_on`

func scanFitting(row scanner) (Fitting, error) { return scanFittingAnd(row) }

// scanFittingAnd reads a fitting's columns and what comes after them.
func scanFittingAnd(row scanner, more ...any) (f Fitting, err error) {
	err = row.Scan(append([]any{&f.Job, &f.ID, &f.Accessory, &f.Slot, &f.FeedSide, &f.OriginalFuseA, &f.AddedFuseA, &f.WireMM2, &f.EarthPoint,
		&f.CableRoute, &f.FittedBy, &f.FittedOn}, more...)...)
	return f, err
}

// AddCodes keeps fault codes that were read at once.
func (s *Store) AddCodes(ctx context.Context, job int64, codes []Code, by string) error {
	if err := checkCodes(codes); err != nil {
		return err
	}
	return s.inJob(ctx, job, func(tx *sql.Tx) error {
		for _, c := range codes {
			if err := s.insertItem(ctx, tx, CodeItem, job, by, "phase, code, text) VALUES ($1,$2,$3,$4,$5,$6,$7)", string(c.Phase), c.Code, c.Text); err != nil {
				return err
			}
		}
		return nil
	})
}

func scanCode(row scanner) (c Code, err error) {
	var at string
	if err := row.Scan(&c.Job, &c.ID, &c.Phase, &c.Code, &c.Text, &at, &c.By); err != nil {
		return c, err
	}
	c.At, err = time.Parse(time.RFC3339Nano, at)
	return c, err
}

// AddNote keeps a note.
func (s *Store) AddNote(ctx context.Context, n JobNote, by string) error {
	if err := n.Check(); err != nil {
		return err
	}
	return s.inJob(ctx, n.Job, func(tx *sql.Tx) error {
		return s.insertItem(ctx, tx, NoteItem, n.Job, by, "text) VALUES ($1,$2,$3,$4,$5)", n.Text)
	})
}

func scanNote(row scanner) (n JobNote, err error) {
	var at string
	if err := row.Scan(&n.Job, &n.ID, &n.Text, &at, &n.By); err != nil {
		return n, err
	}
	n.At, err = time.Parse(time.RFC3339Nano, at)
	return n, err
}

// DeleteItem deletes one item of a job's list.
func (s *Store) DeleteItem(ctx context.Context, job int64, kind ItemKind, id int64) error {
	if !slices.Contains([]ItemKind{FittingItem, CodeItem, NoteItem, PhotoItem}, kind) {
		return fmt.Errorf("a list %q: %w", kind, ErrNoJob)
	}
	return s.inJob(ctx, job, func(tx *sql.Tx) error {
		return one(tx.ExecContext(ctx, "DELETE FROM job_"+string(kind)+" WHERE job=$1 AND id=$2", job, id))
	})
}

// insertItem writes an item with the next number; the rest of the statement names its
// other columns and all places.
func (s *Store) insertItem(ctx context.Context, tx *sql.Tx, kind ItemKind, job int64, by, rest string, values ...any) error {
	id, err := count(ctx, tx, "item")
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO job_"+string(kind)+" (job, id, at, by_whom, "+rest, append([]any{job, id, s.stamp(), by}, values...)...)
	if err != nil {
		return err
	}
	return room(ctx, tx, "job_"+string(kind), job)
}

// ErrFull is returned where a list of a job holds JobItemsMost already.
var ErrFull = errors.New("the job holds no more of these")

func room(ctx context.Context, tx *sql.Tx, table string, job int64) error {
	var n int
	if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM "+table+" WHERE job=$1", job).Scan(&n); err != nil {
		return err
	}
	if n > JobItemsMost {
		return fmt.Errorf("%d in %s: %w", n-1, table, ErrFull)
	}
	return nil
}
