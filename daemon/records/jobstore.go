package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
)

// ErrNoJob is returned where there is no such job, or nothing of that number in it.
var ErrNoJob = errors.New("no such job")

const jobColumns = `number, kind, registration, vin, mileage, mileage_unit, model, year, box_serial, box_part,
	opened, opened_by, closed, closed_by`

func scanJob(row scanner) (j Job, err error) {
	var opened, closed string
	if err := row.Scan(&j.Number, &j.Kind, &j.Registration, &j.VIN, &j.Mileage, &j.MileageUnit, &j.Model, &j.Year, &j.Serial, &j.Part,
		&opened, &j.OpenedBy, &closed, &j.ClosedBy); err != nil {
		return j, err
	}
	if j.Opened, err = time.Parse(time.RFC3339Nano, opened); err != nil || closed == "" {
		return j, err
	}
	j.Closed, err = time.Parse(time.RFC3339Nano, closed)
	return j, err
}

// OpenJob keeps a new job and returns its number; Faults if it cannot be kept.
func (s *Store) OpenJob(ctx context.Context, j Job, by string) (int64, error) {
	if err := j.Check(); err != nil {
		return 0, err
	}
	err := s.change(ctx, func(tx *sql.Tx) (err error) {
		if j.Number, err = count(ctx, tx, "job"); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO job (number, opened, opened_by, closed, closed_by, kind, registration, vin, mileage, mileage_unit,
			model, year, box_serial, box_part, plain_registration, plain_model, plain_serial, plain_part, search)
			VALUES ($1,$2,$3,'','',$4,$5,$6,$7,$8,$9,$10,$11,$12,$13,$14,$15,$16,$17)`,
			append([]any{j.Number, s.stamp(), by}, j.values()...)...)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("open a job: %w", err)
	}
	return j.Number, nil
}

// values are a job's columns that people type, kind to search.
func (j *Job) values() []any {
	search := fmt.Sprint(j.Number)
	for _, x := range []string{j.Registration, j.VIN, j.Model, j.Serial, j.Part} {
		search += " " + plain(x)
	}
	return []any{string(j.Kind), j.Registration, j.VIN, j.Mileage, string(j.MileageUnit), j.Model, j.Year, j.Serial, j.Part,
		plain(j.Registration), plain(j.Model), plain(j.Serial), plain(j.Part), search + " " + fmt.Sprint(j.Year)}
}

// UpdateJob replaces what people typed of a job; its kind, and when it was opened and
// closed, stay.
func (s *Store) UpdateJob(ctx context.Context, j Job) error {
	if err := j.Check(); err != nil {
		return err
	}
	return s.inJob(ctx, j.Number, func(tx *sql.Tx) error {
		return one(tx.ExecContext(ctx, `UPDATE job SET registration=$3, vin=$4, mileage=$5, mileage_unit=$6, model=$7, year=$8,
			box_serial=$9, box_part=$10, plain_registration=$11, plain_model=$12, plain_serial=$13, plain_part=$14, search=$15
			WHERE number=$1 AND kind=$2`, append([]any{j.Number}, j.values()...)...))
	})
}

// CloseJob closes an open job, or opens a closed one again.
func (s *Store) CloseJob(ctx context.Context, number int64, closed bool, by string) error {
	at := ""
	if closed {
		at = s.stamp()
	} else {
		by = ""
	}
	return s.inJob(ctx, number, func(tx *sql.Tx) error {
		return one(tx.ExecContext(ctx, "UPDATE job SET closed=$2, closed_by=$3 WHERE number=$1 AND (closed = '') = $4", number, at, by, closed))
	})
}

// DeleteJob deletes a job with everything in it, photos too. The key cycles stay, for
// they name nobody.
func (s *Store) DeleteJob(ctx context.Context, number int64) error {
	return s.inJob(ctx, number, func(tx *sql.Tx) error {
		return one(tx.ExecContext(ctx, "DELETE FROM job WHERE number=$1", number))
	})
}

// Job returns a job with everything in it but the photos' bytes, or an ErrNoJob.
func (s *Store) Job(ctx context.Context, number int64) (f JobFile, err error) {
	f.Job, err = scanJob(s.db.QueryRowContext(ctx, "SELECT "+jobColumns+" FROM job WHERE number=$1", number))
	if errors.Is(err, sql.ErrNoRows) {
		return f, fmt.Errorf("job %d: %w", number, ErrNoJob)
	}
	if err == nil {
		f.Cycles, err = rows(ctx, s, scanJobCycle, `SELECT jc.job, jc.bench, jc.id, jc.phase, jc.at, jc.by_whom FROM job_cycle jc
			JOIN cycle c ON c.bench = jc.bench AND c.id = jc.id WHERE jc.job=$1 ORDER BY c.arrived DESC, jc.bench DESC, jc.id DESC`, number)
	}
	if err == nil {
		f.Fittings, err = rows(ctx, s, scanFitting, "SELECT "+fittingColumns+" FROM job_fitting f WHERE f.job=$1 ORDER BY f.id", number)
	}
	if err == nil {
		f.Codes, err = rows(ctx, s, scanCode, "SELECT job, id, phase, code, text, at, by_whom FROM job_code WHERE job=$1 ORDER BY id", number)
	}
	if err == nil {
		f.Notes, err = rows(ctx, s, scanNote, "SELECT job, id, text, at, by_whom FROM job_note WHERE job=$1 ORDER BY id", number)
	}
	if err == nil {
		f.Photos, err = rows(ctx, s, scanPhoto, "SELECT job, id, caption, width, height, at, by_whom FROM job_photo WHERE job=$1 ORDER BY id", number)
	}
	if err != nil {
		return f, fmt.Errorf("job %d: %w", number, err)
	}
	return f, nil
}

// JobFilter says which jobs are wanted; an empty member means any.
type JobFilter struct {
	// Text is what of a job is known: every word of it is in its number, registration,
	// VIN, model, year, serial or part number; blanks, hyphens and capitals do not count.
	Text string
	Open bool // open ones only
	// Before is the number of the last of the list before.
	Before int64
	// Limit is how many at most; zero means limitUsual.
	Limit int
}

// searchWordsMost is how many words a search has; more are not looked at.
const searchWordsMost = 8

// Jobs returns jobs, the latest first.
func (s *Store) Jobs(ctx context.Context, f JobFilter) ([]Job, error) {
	q := query{text: "SELECT " + jobColumns + " FROM job WHERE 1=1"}
	words := 0
	for word := range strings.FieldsSeq(f.Text) {
		if word = plain(word); word != "" && words < searchWordsMost {
			words++
			q.and("search LIKE ?", "%"+word+"%")
		}
	}
	if f.Open {
		q.and("closed = ''")
	}
	if f.Before > 0 {
		q.and("number < ?", f.Before)
	}
	q.end("ORDER BY number DESC LIMIT ?", limit(f.Limit))
	out, err := rows(ctx, s, scanJob, q.text, q.args...)
	if err != nil {
		return nil, fmt.Errorf("look for jobs: %w", err)
	}
	return out, nil
}

// EarlierJobs returns the jobs before this one on the same vehicle (VIN, or the
// registration where one of both has no VIN) or the same box, the latest first.
func (s *Store) EarlierJobs(ctx context.Context, j Job) ([]Job, error) {
	q := query{text: "SELECT " + jobColumns + " FROM job WHERE 1=1"}
	if j.Kind == BoxJob {
		q.and("plain_serial = ? AND kind = 'box'", plain(j.Serial))
	} else {
		q.and(`number IN (SELECT number FROM job WHERE vin = ? AND vin <> ''
			UNION SELECT number FROM job WHERE plain_registration = ? AND plain_registration <> '' AND (vin = '' OR ? = ''))`, j.VIN, plain(j.Registration), j.VIN)
	}
	if j.Number > 0 {
		q.and("number < ?", j.Number)
	}
	q.end("ORDER BY number DESC LIMIT ?", limit(0))
	out, err := rows(ctx, s, scanJob, q.text, q.args...)
	if err != nil {
		return nil, fmt.Errorf("look for earlier jobs: %w", err)
	}
	return out, nil
}

// ModelFitting is a fitting of another job on the same model, with the key cycle that
// shows what its slot did.
type ModelFitting struct {
	Fitting
	Year  int64
	Cycle CycleRef // the job's latest from before anything was fitted, else its latest; empty if it has none
}

// OnModel returns the latest fittings on a model in other jobs, the latest first.
func (s *Store) OnModel(ctx context.Context, model string, except int64, most int) ([]ModelFitting, error) {
	const latest = `FROM job_cycle jc JOIN cycle c ON c.bench = jc.bench AND c.id = jc.id WHERE jc.job = j.number
		ORDER BY CASE jc.phase WHEN 'before' THEN 0 ELSE 1 END, c.arrived DESC, jc.bench DESC, jc.id DESC LIMIT 1`
	out, err := rows(ctx, s, scanModelFitting, "SELECT "+fittingColumns+`, j.year,
		coalesce((SELECT jc.bench `+latest+`), ''), coalesce((SELECT jc.id `+latest+`), '')
		FROM job j JOIN job_fitting f ON f.job = j.number
		WHERE j.plain_model = $1 AND j.plain_model <> '' AND j.number <> $2 ORDER BY j.number DESC, f.id DESC LIMIT $3`, plain(model), except, limit(most))
	if err != nil {
		return nil, fmt.Errorf("look for fittings on a model: %w", err)
	}
	return out, nil
}

func scanModelFitting(row scanner) (m ModelFitting, err error) {
	m.Fitting, err = scanFittingAnd(row, &m.Year, &m.Cycle.Bench, &m.Cycle.ID)
	return m, err
}

// Models returns the models and the part numbers that jobs name, for lists to choose
// from.
func (s *Store) Models(ctx context.Context) (models, parts []string, err error) {
	text := func(row scanner) (x string, err error) {
		err = row.Scan(&x)
		return x, err
	}
	if models, err = rows(ctx, s, text, "SELECT min(model) FROM job WHERE plain_model <> '' GROUP BY plain_model ORDER BY 1 LIMIT $1", limitMost); err == nil {
		parts, err = rows(ctx, s, text, "SELECT min(box_part) FROM job WHERE plain_part <> '' GROUP BY plain_part ORDER BY 1 LIMIT $1", limitMost)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("list the models: %w", err)
	}
	return models, parts, nil
}
