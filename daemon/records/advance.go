package records

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// advance moves up the numbers up to which streams are complete, in upTo too. Most often what was
// added follows what was there, and that is all there is; else the stream is walked.
func (s *Store) advance(ctx context.Context, tx *sql.Tx, upTo map[string]int64, added []came) error {
	slices.SortFunc(added, func(a, b came) int {
		return cmp.Or(strings.Compare(a.head.Stream, b.head.Stream), cmp.Compare(a.head.Seq, b.head.Seq))
	})
	next := maps.Clone(upTo)
	for _, c := range added {
		if h := c.head; h.Seq == next[h.Stream]+1 {
			next[h.Stream] = h.Seq
		}
	}
	moved := table{"INSERT INTO stream (stream, bench, up_to_seq) VALUES", 3, "ON CONFLICT (stream) DO UPDATE SET up_to_seq = excluded.up_to_seq", nil}
	follows := table{"SELECT s.stream FROM stream s JOIN result r ON r.stream = s.stream AND r.seq = s.up_to_seq + 1 WHERE s.stream IN (VALUES", 1, ")", nil}
	skipped := table{"SELECT DISTINCT s.stream FROM stream s JOIN gap g ON g.stream = s.stream AND g.to_seq > s.up_to_seq WHERE s.stream IN (VALUES", 1, ")", nil}
	for _, stream := range slices.Sorted(maps.Keys(next)) {
		if next[stream] > upTo[stream] {
			moved.row(stream, "", next[stream])
		}
		follows.row(stream)
		skipped.row(stream)
	}
	if err := s.each(ctx, tx, &moved, nil); err != nil {
		return err
	}
	walk := map[string]bool{}
	for _, t := range []*table{&follows, &skipped} {
		err := s.each(ctx, tx, t, func(rows *sql.Rows) error {
			var stream string
			err := rows.Scan(&stream)
			walk[stream] = true
			return err
		})
		if err != nil {
			return err
		}
	}
	maps.Copy(upTo, next)
	for _, stream := range slices.Sorted(maps.Keys(walk)) {
		to, err := advanceTo(ctx, tx, stream, 0)
		if err != nil {
			return err
		}
		upTo[stream] = to
	}
	return nil
}

// advanceTo walks a stream from where it is complete, and at least from a number, and
// returns how far it got.
func advanceTo(ctx context.Context, tx *sql.Tx, stream string, least int64) (upTo int64, err error) {
	if err := tx.QueryRowContext(ctx, "SELECT up_to_seq FROM stream WHERE stream=$1", stream).Scan(&upTo); err != nil {
		return 0, err
	}
	before := upTo
	for upTo = max(upTo, least); ; {
		next, err := run(ctx, tx, stream, upTo)
		if err != nil {
			return 0, err
		}
		var over sql.NullInt64
		if err := tx.QueryRowContext(ctx, "SELECT max(to_seq) FROM gap WHERE stream=$1 AND from_seq<=$2 AND to_seq>=$2", stream, next+1).Scan(&over); err != nil {
			return 0, err
		}
		if over.Valid {
			next = over.Int64
		}
		if next == upTo {
			break
		}
		upTo = next
	}
	if upTo > before {
		_, err = tx.ExecContext(ctx, "UPDATE stream SET up_to_seq=$1 WHERE stream=$2", upTo, stream)
	}
	return upTo, err
}

// run returns the last of the results that follow a number without a hole.
func run(ctx context.Context, tx *sql.Tx, stream string, upTo int64) (int64, error) {
	rows, err := tx.QueryContext(ctx, "SELECT seq FROM result WHERE stream=$1 AND seq>$2 ORDER BY seq", stream, upTo)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var seq int64
		if err := rows.Scan(&seq); err != nil {
			return 0, err
		}
		if seq != upTo+1 {
			break
		}
		upTo = seq
	}
	return upTo, rows.Err()
}

// KeptFrom notes that a bench no longer keeps the results of a stream before a number:
// what is missing of them will not come.
func (s *Store) KeptFrom(ctx context.Context, stream, bench string, from int64) error {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("note what a bench keeps: %w", err)
	}
	defer tx.Rollback() // nothing is left to undo after the commit
	t := newStreams()
	t.row(stream, bench, 0)
	err = s.each(ctx, tx, &t, nil)
	if err == nil {
		_, err = advanceTo(ctx, tx, stream, from-1)
	}
	if err != nil {
		return fmt.Errorf("note what a bench keeps: %w", err)
	}
	return tx.Commit()
}
