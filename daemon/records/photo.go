package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Photo is a picture in a job. Whoever adds one has made it a JPEG of his own without
// anything but the picture.
type Photo struct {
	Job, ID       int64
	Caption       string
	Width, Height int // of the large one
	At            time.Time
	By            string
}

// PhotoBytesMost is the most that a photo's JPEG may have.
const PhotoBytesMost = 4 << 20

// Check returns all faults of what was typed of a photo as Faults.
func (p *Photo) Check() error {
	var f Faults
	f.text("Caption", p.Caption, JobLineMax)
	return f.err()
}

// AddPhoto keeps a photo, large and small.
func (s *Store) AddPhoto(ctx context.Context, p Photo, large, small []byte, by string) error {
	if err := p.Check(); err != nil {
		return err
	}
	if len(large)+len(small) > PhotoBytesMost || len(large) == 0 || len(small) == 0 {
		return fmt.Errorf("keep a photo of %d bytes: want 1 to %d", len(large)+len(small), PhotoBytesMost)
	}
	return s.inJob(ctx, p.Job, func(tx *sql.Tx) error {
		return s.insertItem(ctx, tx, PhotoItem, p.Job, by, "caption, width, height, small, jpeg) VALUES ($1,$2,$3,$4,$5,$6,$7,$8,$9)",
			p.Caption, p.Width, p.Height, small, large)
	})
}

func scanPhoto(row scanner) (p Photo, err error) {
	var at string
	if err := row.Scan(&p.Job, &p.ID, &p.Caption, &p.Width, &p.Height, &at, &p.By); err != nil {
		return p, err
	}
	p.At, err = time.Parse(time.RFC3339Nano, at)
	return p, err
}

// PhotoJPEG returns a photo's bytes, or an ErrNoJob.
func (s *Store) PhotoJPEG(ctx context.Context, job, id int64, small bool) (jpeg []byte, err error) {
	column := "jpeg"
	if small {
		column = "small"
	}
	err = s.db.QueryRowContext(ctx, "SELECT "+column+" FROM job_photo WHERE job=$1 AND id=$2", job, id).Scan(&jpeg)
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNoJob
	}
	if err != nil {
		return nil, fmt.Errorf("photo %d of job %d: %w", id, job, err)
	}
	return jpeg, nil
}
