package records

import (
	"context"
	"database/sql"
	"strconv"
	"strings"
)

// table is a statement about many rows of values.
type table struct {
	begin   string
	columns int
	end     string
	values  []any
}

// rowsMost is how many rows a statement has at most; a database takes some 32 000 values.
const rowsMost = 256

func (t *table) row(values ...any) { t.values = append(t.values, values...) }

// each runs a statement on all its rows, and lets each row that it returns be read. Of
// any number of rows it makes a few statements of few sizes, 1, 2, 4 … rows, so that a
// driver which keeps what it has prepared need not keep many.
func (s *Store) each(ctx context.Context, tx *sql.Tx, t *table, read func(*sql.Rows) error) error {
	for left := t.values; len(left) > 0; {
		n := rowsMost
		for n*t.columns > len(left) {
			n /= 2
		}
		if err := some(ctx, tx, s.statement(t, n), left[:n*t.columns], read); err != nil {
			return err
		}
		left = left[n*t.columns:]
	}
	return nil
}

// all runs one statement after the other, each on all its rows.
func (s *Store) all(ctx context.Context, tx *sql.Tx, tables ...*table) error {
	for _, t := range tables {
		if err := s.each(ctx, tx, t, nil); err != nil {
			return err
		}
	}
	return nil
}

func some(ctx context.Context, tx *sql.Tx, text string, values []any, read func(*sql.Rows) error) error {
	if read == nil {
		_, err := tx.ExecContext(ctx, text, values...)
		return err
	}
	rows, err := tx.QueryContext(ctx, text, values...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := read(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// statement is the text for n rows. SQLite takes numbered values too, but looks for each
// number among all before it.
func (s *Store) statement(t *table, n int) string {
	var b strings.Builder
	b.WriteString(t.begin)
	for i := range n * t.columns {
		switch {
		case i == 0:
			b.WriteString(" (")
		case i%t.columns == 0:
			b.WriteString("),(")
		default:
			b.WriteString(",")
		}
		if s.numbered {
			b.WriteString("$" + strconv.Itoa(i+1))
		} else {
			b.WriteString("?")
		}
	}
	b.WriteString(") " + t.end)
	return b.String()
}
