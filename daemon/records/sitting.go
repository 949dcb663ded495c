package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Sitting is an exercise that an instructor released on a bench. Its files are kept as
// they were, so that what was asked can be read when they have changed.
type Sitting struct {
	Number int64 // the records give it, and never again
	// Exercise and Title are the file's id and title.
	Exercise, Title string
	// Text and Box are the exercise file and its box file, as TOML.
	Text, Box string
	Bench     string
	// Released and Ended say when and by whom; Ended is zero while answers are taken.
	Released, Ended time.Time
	ReleasedBy      string
}

// ErrNoSitting is returned where there is no such sitting, or it has ended.
var ErrNoSitting = errors.New("no such sitting")

// sittingTables are the step that made the exercises. A text that is not there is empty.
// The view marks is for spreadsheets: a line an answer sheet that was marked.
func sittingTables() []string {
	return []string{
		`INSERT INTO counter VALUES ('sitting', 0)`,
		`CREATE TABLE sitting (
			number BIGINT PRIMARY KEY, exercise TEXT NOT NULL, title TEXT NOT NULL, exercise_text TEXT NOT NULL, box_text TEXT NOT NULL,
			bench TEXT NOT NULL, released TEXT NOT NULL, released_by TEXT NOT NULL, ended TEXT NOT NULL)`,
		`CREATE TABLE answer_sheet (
			id TEXT PRIMARY KEY, sitting BIGINT NOT NULL REFERENCES sitting (number) ON DELETE CASCADE, apprentice TEXT NOT NULL, attempt BIGINT NOT NULL,
			begun TEXT NOT NULL, acknowledged TEXT NOT NULL, meter TEXT NOT NULL, answers TEXT NOT NULL, handed_in TEXT NOT NULL,
			bench TEXT NOT NULL, cycle TEXT NOT NULL, marked TEXT NOT NULL, got DOUBLE PRECISION NOT NULL, of_marks DOUBLE PRECISION NOT NULL, not_marked BIGINT NOT NULL,
			again BIGINT NOT NULL, comment TEXT NOT NULL, comment_by TEXT NOT NULL, UNIQUE (sitting, apprentice, attempt))`,
		`CREATE INDEX answer_sheet_by_apprentice ON answer_sheet (apprentice, begun)`,
		`CREATE VIEW marks AS SELECT a.apprentice, s.exercise, s.title, a.attempt, a.handed_in, a.got, a.of_marks, a.not_marked, a.bench, a.cycle, a.comment
			FROM answer_sheet a JOIN sitting s ON s.number = a.sitting WHERE a.marked <> ''`,
	}
}

const sittingColumns = "number, exercise, title, exercise_text, box_text, bench, released, released_by, ended"

func scanSitting(row scanner) (x Sitting, err error) {
	var released, ended string
	if err := row.Scan(&x.Number, &x.Exercise, &x.Title, &x.Text, &x.Box, &x.Bench, &released, &x.ReleasedBy, &ended); err != nil {
		return x, err
	}
	return x, stamps(stamped{released, &x.Released}, stamped{ended, &x.Ended})
}

// stamped is a time as the tables have it, empty for none, and where it goes.
type stamped struct {
	text string
	to   *time.Time
}

func stamps(all ...stamped) (err error) {
	for _, s := range all {
		if s.text == "" {
			continue
		}
		if *s.to, err = time.Parse(time.RFC3339Nano, s.text); err != nil {
			return err
		}
	}
	return nil
}

// Release keeps a new sitting and returns its number.
func (s *Store) Release(ctx context.Context, x Sitting) (int64, error) {
	err := s.change(ctx, func(tx *sql.Tx) (err error) {
		if x.Number, err = count(ctx, tx, "sitting"); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, "INSERT INTO sitting ("+sittingColumns+") VALUES ($1,$2,$3,$4,$5,$6,$7,$8,'')",
			x.Number, x.Exercise, x.Title, x.Text, x.Box, x.Bench, s.stamp(), x.ReleasedBy)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("release an exercise: %w", err)
	}
	return x.Number, nil
}

// Sitting returns a sitting, or an ErrNoSitting.
func (s *Store) Sitting(ctx context.Context, number int64) (Sitting, error) {
	x, err := scanSitting(s.db.QueryRowContext(ctx, "SELECT "+sittingColumns+" FROM sitting WHERE number=$1", number))
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNoSitting
	}
	if err != nil {
		return x, fmt.Errorf("sitting %d: %w", number, err)
	}
	return x, nil
}

// Sittings returns the latest sittings, the latest first; open ones only, if that is
// wanted.
func (s *Store) Sittings(ctx context.Context, open bool, most int) ([]Sitting, error) {
	q := query{text: "SELECT " + sittingColumns + " FROM sitting WHERE 1=1"}
	if open {
		q.and("ended = ''")
	}
	q.end("ORDER BY number DESC LIMIT ?", limit(most))
	out, err := rows(ctx, s, scanSitting, q.text, q.args...)
	if err != nil {
		return nil, fmt.Errorf("list the sittings: %w", err)
	}
	return out, nil
}

// EndSitting lets no more answers be handed in, or is an ErrNoSitting.
func (s *Store) EndSitting(ctx context.Context, number int64) error {
	res, err := s.db.ExecContext(ctx, "UPDATE sitting SET ended=$2 WHERE number=$1 AND ended=''", number, s.stamp())
	return changed("end a sitting", res, err, ErrNoSitting)
}

// DeleteSitting deletes a sitting with all its answer sheets.
func (s *Store) DeleteSitting(ctx context.Context, number int64) error {
	res, err := s.db.ExecContext(ctx, "DELETE FROM sitting WHERE number=$1", number)
	return changed("delete a sitting", res, err, ErrNoSitting)
}
