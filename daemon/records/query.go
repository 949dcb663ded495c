package records

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"time"
)

// scanner is a row of either kind.
type scanner interface{ Scan(...any) error }

// rows reads all rows of a query.
func rows[T any](ctx context.Context, s *Store, scan func(scanner) (T, error), text string, args ...any) ([]T, error) {
	r, err := s.db.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	var out []T
	for r.Next() {
		x, err := scan(r)
		if err != nil {
			return nil, err
		}
		out = append(out, x)
	}
	return out, r.Err()
}

// query is a statement in the making. It names what is asked for only, so that the
// database can take the index for it.
type query struct {
	text string
	args []any
}

// and adds a condition; each ? in it is one of the values.
func (q *query) and(condition string, values ...any) { q.end("AND "+condition, values...) }

func (q *query) end(text string, values ...any) {
	for _, v := range values {
		q.args = append(q.args, v)
		text = strings.Replace(text, "?", fmt.Sprintf("$%d", len(q.args)), 1)
	}
	q.text += " " + text
}

// limit is how many rows are read at most.
func limit(n int) int {
	if n <= 0 {
		return limitUsual
	}
	return min(n, limitMost)
}

// stamp is the time of a change, as it is stored.
func (s *Store) stamp() string { return s.now().UTC().Format(time.RFC3339Nano) }

// change does something in one transaction.
func (s *Store) change(ctx context.Context, do func(*sql.Tx) error) error {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // nothing is left to undo after the commit
	if err := do(tx); err != nil {
		return err
	}
	return tx.Commit()
}

// inJob changes something in a job that is there.
func (s *Store) inJob(ctx context.Context, number int64, do func(*sql.Tx) error) error {
	err := s.change(ctx, func(tx *sql.Tx) error {
		// It holds the row, so that the job is not deleted meanwhile and its lists are
		// counted by one at a time.
		if err := one(tx.ExecContext(ctx, "UPDATE job SET number=number WHERE number=$1", number)); err != nil {
			return err
		}
		return do(tx)
	})
	if err != nil {
		return fmt.Errorf("change job %d: %w", number, err)
	}
	return nil
}

// one is an ErrNoJob unless a row was changed.
func one(r sql.Result, err error) error {
	if err != nil {
		return err
	}
	if n, err := r.RowsAffected(); err != nil || n > 0 {
		return err
	}
	return ErrNoJob
}

// count returns the next number of a kind; none is given twice, whatever is deleted.
func count(ctx context.Context, tx *sql.Tx, kind string) (n int64, err error) {
	err = tx.QueryRowContext(ctx, "UPDATE counter SET latest = latest + 1 WHERE name = $1 RETURNING latest", kind).Scan(&n)
	return n, err
}
