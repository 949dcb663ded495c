package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/parquet-go/parquet-go"
)

// slotLine, transitionLine and verdictLine are the lines of views, with the type of each
// column. A pointer is a column that may be empty; times are UTC, to the millisecond as the
// benches give them.
type slotLine struct {
	Bench      string     `parquet:"bench,dict"`
	Cycle      string     `parquet:"cycle,dict"`
	Wall       *time.Time `parquet:"wall,optional,timestamp(millisecond)"`
	Final      bool       `parquet:"final"`
	Slot       string     `parquet:"slot,dict"`
	Legend     *string    `parquet:"legend,optional,dict"`
	Behaviour  string     `parquet:"behaviour,dict"`
	StaysOnS   *float64   `parquet:"stays_on_s,optional"`
	OffInStart *bool      `parquet:"off_in_start,optional"`
	WatchedS   float64    `parquet:"watched_s"`
	LowestV    *float64   `parquet:"lowest_v,optional"`
}

type transitionLine struct {
	Bench       string     `parquet:"bench,dict"`
	Cycle       string     `parquet:"cycle,dict"`
	Wall        *time.Time `parquet:"wall,optional,timestamp(millisecond)"`
	Slot        string     `parquet:"slot,dict"`
	Lead        string     `parquet:"lead,dict"`
	State       string     `parquet:"state,dict"`
	AfterKeyOnS *float64   `parquet:"after_key_on_s,optional"`
	UUS         float64    `parquet:"u_us"`
}

type verdictLine struct {
	Bench   string     `parquet:"bench,dict"`
	Test    string     `parquet:"test,dict"`
	Wall    *time.Time `parquet:"wall,optional,timestamp(millisecond)"`
	Final   bool       `parquet:"final"`
	Box     string     `parquet:"box,dict"`
	Slot    string     `parquet:"slot,dict"`
	Legend  *string    `parquet:"legend,optional,dict"`
	Outcome string     `parquet:"outcome,dict"`
	Reason  string     `parquet:"reason,dict"`
}

// rowGroupMost is how many lines are gathered before they are written: what an export
// needs in memory, however large the records are.
const rowGroupMost = 20_000

// ExportParquet writes a view as a Parquet file, its columns named and ordered as in CSV,
// compressed with Snappy, which every reader knows. Texts are as they came: a column of
// texts runs nothing.
func (s *Store) ExportParquet(ctx context.Context, w io.Writer, view string) error {
	rows, err := s.view(ctx, view)
	if err != nil {
		return err
	}
	defer rows.Close()
	switch view {
	case "slots":
		err = writeParquet(w, rows, func(l *slotLine, wall *sql.NullString) []any {
			return []any{&l.Bench, &l.Cycle, wall, &l.Final, &l.Slot, &l.Legend, &l.Behaviour, &l.StaysOnS, &l.OffInStart, &l.WatchedS, &l.LowestV}
		}, func(l *slotLine, wall *time.Time) { l.Wall = wall })
	case "verdicts":
		err = writeParquet(w, rows, func(l *verdictLine, wall *sql.NullString) []any {
			return []any{&l.Bench, &l.Test, wall, &l.Final, &l.Box, &l.Slot, &l.Legend, &l.Outcome, &l.Reason}
		}, func(l *verdictLine, wall *time.Time) { l.Wall = wall })
	case "transitions":
		err = writeParquet(w, rows, func(l *transitionLine, wall *sql.NullString) []any {
			return []any{&l.Bench, &l.Cycle, wall, &l.Slot, &l.Lead, &l.State, &l.AfterKeyOnS, &l.UUS}
		}, func(l *transitionLine, wall *time.Time) { l.Wall = wall })
	default:
		err = errors.New("it is to be had as CSV only")
	}
	if err != nil {
		return fmt.Errorf("export %s: %w", view, err)
	}
	return nil
}

// writeParquet writes rows of one type. fields says where the columns of a line go, set
// takes the time that was read from its text.
func writeParquet[T any](w io.Writer, rows *sql.Rows, fields func(*T, *sql.NullString) []any, set func(*T, *time.Time)) error {
	out := parquet.NewGenericWriter[T](w, parquet.Compression(&parquet.Snappy), parquet.MaxRowsPerRowGroup(rowGroupMost))
	line := make([]T, 1)
	for rows.Next() {
		var zero T
		var wall sql.NullString
		line[0] = zero
		if err := rows.Scan(fields(&line[0], &wall)...); err != nil {
			return err
		}
		if wall.Valid {
			t, err := time.Parse(time.RFC3339Nano, wall.String)
			if err != nil {
				return fmt.Errorf("the time of a line: %w", err)
			}
			set(&line[0], &t)
		}
		if _, err := out.Write(line); err != nil {
			return err
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	return out.Close()
}
