package records

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"keyturn/protocol"
)

// AnswerSheet is what an apprentice wrote at a sitting. It names a person, so it is in
// the records only, and goes with the user.
type AnswerSheet struct {
	// ID stands for it in addresses and messages, and tells nothing of whom it is.
	ID         string
	Sitting    int64
	Apprentice string
	Attempt    int64 // from 1
	// Begun, Acknowledged (the cautions), HandedIn and Marked say when; zero for not yet.
	Begun, Acknowledged, HandedIn, Marked time.Time
	Meter                                 string // the id of the hand meter; empty without one
	Answers                               []Answer
	// Cycle is the one that it was marked by.
	Cycle CycleRef
	// Got and Of are the marks, as they were when it was marked. NotMarked counts the
	// answers that the bench could not tell of.
	Got, Of   float64
	NotMarked int
	// Again: another attempt is allowed.
	Again              bool
	Comment, CommentBy string
}

// Answer is what stands under a question, as it was written, and how many of its hints
// were taken.
type Answer struct {
	Question string `json:"question"`
	Text     string `json:"text"`
	Hints    int    `json:"hints,omitempty"`
}

// What can be wrong with an answer sheet.
var (
	ErrNoSheet    = errors.New("no such answer sheet")
	ErrNotTaken   = errors.New("the sitting has ended, or another attempt is not allowed")
	ErrSheetFixed = errors.New("the answers are handed in, or the cautions are not acknowledged")
)

// AnswerMost is the longest answer that is kept, in letters.
const AnswerMost = 200

const sheetColumns = `id, sitting, apprentice, attempt, begun, acknowledged, meter, answers, handed_in,
	bench, cycle, marked, got, of_marks, not_marked, again, comment, comment_by`

func scanSheet(row scanner) (a AnswerSheet, err error) {
	var begun, acknowledged, handedIn, marked, answers string
	var again int64
	if err := row.Scan(&a.ID, &a.Sitting, &a.Apprentice, &a.Attempt, &begun, &acknowledged, &a.Meter, &answers, &handedIn,
		&a.Cycle.Bench, &a.Cycle.ID, &marked, &a.Got, &a.Of, &a.NotMarked, &again, &a.Comment, &a.CommentBy); err != nil {
		return a, err
	}
	if err := json.Unmarshal([]byte(answers), &a.Answers); err != nil {
		return a, fmt.Errorf("its answers: %w", err)
	}
	a.Again = again != 0
	return a, stamps(stamped{begun, &a.Begun}, stamped{acknowledged, &a.Acknowledged}, stamped{handedIn, &a.HandedIn}, stamped{marked, &a.Marked})
}

// Answer returns what stands under a question.
func (a *AnswerSheet) Answer(question string) Answer {
	if i := slices.IndexFunc(a.Answers, func(x Answer) bool { return x.Question == question }); i >= 0 {
		return a.Answers[i]
	}
	return Answer{Question: question}
}

// Begin gives an apprentice a new answer sheet, or the latest one where that is not marked
// yet. It is an ErrNotTaken where the sitting has ended or the latest attempt was not to be
// repeated.
func (s *Store) Begin(ctx context.Context, sitting int64, apprentice string) (id string, err error) {
	err = s.change(ctx, func(tx *sql.Tx) error {
		// Touched, so that of two requests at once the second waits and finds the first's.
		res, err := tx.ExecContext(ctx, "UPDATE sitting SET ended=ended WHERE number=$1 AND ended=''", sitting)
		if err := changed("look whether the sitting is open", res, err, ErrNotTaken); err != nil {
			return err
		}
		latest, err := scanSheet(tx.QueryRowContext(ctx, "SELECT "+sheetColumns+" FROM answer_sheet WHERE sitting=$1 AND apprentice=$2 ORDER BY attempt DESC LIMIT 1", sitting, apprentice))
		switch {
		case errors.Is(err, sql.ErrNoRows):
		case err != nil:
			return err
		case latest.Marked.IsZero():
			id = latest.ID
			return nil
		case !latest.Again:
			return ErrNotTaken
		}
		id = strings.ToLower(rand.Text())
		_, err = tx.ExecContext(ctx, "INSERT INTO answer_sheet ("+sheetColumns+") VALUES ($1,$2,$3,$4,$5,'','','[]','','','','',0,0,0,0,'','')",
			id, sitting, apprentice, latest.Attempt+1, s.stamp())
		return err
	})
	if err != nil {
		return "", fmt.Errorf("begin an answer sheet: %w", err)
	}
	return id, nil
}

// AnswerSheet returns an answer sheet, or an ErrNoSheet.
func (s *Store) AnswerSheet(ctx context.Context, id string) (AnswerSheet, error) {
	a, err := scanSheet(s.db.QueryRowContext(ctx, "SELECT "+sheetColumns+" FROM answer_sheet WHERE id=$1", id))
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNoSheet
	}
	if err != nil {
		return a, fmt.Errorf("answer sheet: %w", err)
	}
	return a, nil
}

// AnswerSheetsOf returns an apprentice's answer sheets, the latest first.
func (s *Store) AnswerSheetsOf(ctx context.Context, apprentice string) ([]AnswerSheet, error) {
	return s.sheets(ctx, "WHERE apprentice=$1 ORDER BY begun DESC, id LIMIT $2", apprentice, limitMost)
}

// AnswerSheetsAt returns the answer sheets of a sitting, by apprentice and attempt.
func (s *Store) AnswerSheetsAt(ctx context.Context, sitting int64) ([]AnswerSheet, error) {
	return s.sheets(ctx, "WHERE sitting=$1 ORDER BY apprentice, attempt LIMIT $2", sitting, limitMost)
}

// Unmarked returns the answer sheets that wait for their key cycle.
func (s *Store) Unmarked(ctx context.Context) ([]AnswerSheet, error) {
	return s.sheets(ctx, "WHERE handed_in <> '' AND marked = '' ORDER BY handed_in, id LIMIT $1", limitMost)
}

func (s *Store) sheets(ctx context.Context, which string, args ...any) ([]AnswerSheet, error) {
	out, err := rows(ctx, s, scanSheet, "SELECT "+sheetColumns+" FROM answer_sheet "+which, args...)
	if err != nil {
		return nil, fmt.Errorf("list the answer sheets: %w", err)
	}
	return out, nil
}

// Acknowledge notes that the cautions were acknowledged, and with which meter is measured.
func (s *Store) Acknowledge(ctx context.Context, id, meter string) error {
	res, err := s.db.ExecContext(ctx, "UPDATE answer_sheet SET acknowledged=$2, meter=$3 WHERE id=$1 AND handed_in=''", id, s.stamp(), meter)
	return changed("note that the cautions were acknowledged", res, err, ErrSheetFixed)
}

// SaveAnswers keeps what was written so far, and hands it in if that is wanted. It is an
// ErrSheetFixed once it was handed in, and before the cautions were acknowledged.
func (s *Store) SaveAnswers(ctx context.Context, id string, answers []Answer, handIn bool) error {
	text, err := json.Marshal(append([]Answer{}, answers...))
	if err != nil {
		return fmt.Errorf("keep answers: %w", err)
	}
	at := ""
	if handIn {
		// In the form in which arrivals are kept, to be held against them.
		at = arrivedFrom(s.now())
	}
	res, err := s.db.ExecContext(ctx, "UPDATE answer_sheet SET answers=$2, handed_in=$3 WHERE id=$1 AND handed_in='' AND acknowledged<>''", id, string(text), at)
	return changed("keep answers", res, err, ErrSheetFixed)
}

// CycleAfter returns the first key cycle of a bench of which nothing had come when an
// answer sheet was handed in: one that had begun before would be no answer to what was
// handed in. It is an ErrNone while there is none.
func (s *Store) CycleAfter(ctx context.Context, bench string, handedIn time.Time) (CycleRef, error) {
	ref := CycleRef{Bench: bench}
	err := s.db.QueryRowContext(ctx, "SELECT id FROM cycle WHERE bench=$1 AND arrived > $2 ORDER BY arrived, id LIMIT 1", bench, arrivedFrom(handedIn)).Scan(&ref.ID)
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNone
	}
	if err != nil {
		return ref, fmt.Errorf("look for the key cycle after the answers: %w", err)
	}
	return ref, nil
}

// Mark keeps the marks of an answer sheet, once, and with them the document that is to be
// published; nil for none.
func (s *Store) Mark(ctx context.Context, a AnswerSheet, m *protocol.Marks) error {
	document, err := marksText(m)
	if err != nil {
		return fmt.Errorf("keep marks: %w", err)
	}
	res, err := s.db.ExecContext(ctx, `UPDATE answer_sheet SET bench=$2, cycle=$3, marked=$4, got=$5, of_marks=$6, not_marked=$7, marks_document=$8
		WHERE id=$1 AND handed_in<>'' AND marked=''`, a.ID, a.Cycle.Bench, a.Cycle.ID, s.stamp(), a.Got, a.Of, a.NotMarked, document)
	return changed("keep marks", res, err, ErrNoSheet)
}

// Comment keeps what an instructor says of an answer sheet, and whether another attempt is
// allowed.
func (s *Store) Comment(ctx context.Context, id, comment, by string, again bool) error {
	n := 0
	if again {
		n = 1
	}
	res, err := s.db.ExecContext(ctx, "UPDATE answer_sheet SET comment=$2, comment_by=$3, again=$4 WHERE id=$1", id, comment, by, n)
	return changed("keep a comment", res, err, ErrNoSheet)
}

// Sitters returns the names of those who have answer sheets.
func (s *Store) Sitters(ctx context.Context) ([]string, error) {
	text := func(row scanner) (x string, err error) {
		err = row.Scan(&x)
		return x, err
	}
	out, err := rows(ctx, s, text, "SELECT DISTINCT apprentice FROM answer_sheet ORDER BY 1 LIMIT $1", limitMost)
	if err != nil {
		return nil, fmt.Errorf("list the apprentices: %w", err)
	}
	return out, nil
}
