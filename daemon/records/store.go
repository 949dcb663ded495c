package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver named pgx
	_ "modernc.org/sqlite"             // the driver named sqlite
)

// Store is the records. It is safe for concurrent use.
type Store struct {
	db       *sql.DB
	now      func() time.Time
	numbered bool // values in statements bear numbers
}

// Options says where the records are.
type Options struct {
	// URL is postgres://user@host/database, or the name of a file.
	URL string
	// MustExist makes a file that is not there an error, instead of making it.
	MustExist bool
	// Now tells the time of arrival; nil is the system's.
	Now func() time.Time
}

// pragmas: a commit is on the disk before it returns (a receipt says so), and readers
// do not wait for the writer; what is deleted is overwritten, for it may name people.
const pragmas = "?_pragma=secure_delete(1)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=busy_timeout(10000)&_pragma=foreign_keys(1)&_txlock=immediate"

// arrivedForm is a time of arrival: all are of one length, so that they sort as texts.
const arrivedForm = "2006-01-02T15:04:05.000000000Z07:00"

// connectionsMost bounds the connections to PostgreSQL.
const connectionsMost = 8

// Open opens the records, or makes them, and brings the tables up to date.
func Open(ctx context.Context, o Options) (*Store, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	driver, source := driverOf(o.URL)
	if driver == "sqlite" {
		if err := private(o.URL, o.MustExist); err != nil {
			return nil, fmt.Errorf("open the records: %w", err)
		}
	}
	db, err := sql.Open(driver, source)
	if err != nil {
		return nil, fmt.Errorf("open the records: %w", err)
	}
	db.SetMaxOpenConns(connectionsMost)
	if err := migrate(ctx, db); err != nil {
		return nil, errors.Join(fmt.Errorf("open the records: %w", err), db.Close())
	}
	return &Store{db, o.Now, driver == "pgx"}, nil
}

// driverOf tells which driver opens a URL, and what it is to be told.
func driverOf(url string) (driver, source string) {
	if strings.HasPrefix(url, "postgres://") || strings.HasPrefix(url, "postgresql://") {
		return "pgx", url
	}
	return "sqlite", "file:" + strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(url) + pragmas
}

// private makes a file that its owner alone may read, for users' passwords are held
// against what is in it. One that is there stays as it is.
func private(name string, mustExist bool) error {
	if mustExist {
		_, err := os.Stat(name)
		return err
	}
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	return f.Close()
}

// Close closes them.
func (s *Store) Close() error { return s.db.Close() }

// Stream is how far the records of a numbering are.
type Stream struct {
	Stream, Bench string
	// UpToSeq is the number up to which everything is kept, gaps included: what a
	// receipt says. Last is the latest that is kept at all; above UpToSeq something is
	// missing if Last is greater.
	UpToSeq, Last int64
	// Boot and MonoNS are those of the latest result.
	Boot   string
	MonoNS int64
}

// Streams returns how far the records of each numbering of a bench are, the latest
// first; of every bench if it is empty.
func (s *Store) Streams(ctx context.Context, bench string) ([]Stream, error) {
	rows, err := s.db.QueryContext(ctx, `SELECT s.stream, s.bench, s.up_to_seq, r.seq, r.boot, r.mono_ns FROM stream s
		JOIN result r ON r.stream = s.stream AND r.seq = (SELECT max(seq) FROM result WHERE stream = s.stream)
		WHERE $1 = '' OR s.bench = $1 ORDER BY r.arrived DESC`, bench)
	if err != nil {
		return nil, fmt.Errorf("read how far the records are: %w", err)
	}
	defer rows.Close()
	var out []Stream
	for rows.Next() {
		var x Stream
		if err := rows.Scan(&x.Stream, &x.Bench, &x.UpToSeq, &x.Last, &x.Boot, &x.MonoNS); err != nil {
			return nil, fmt.Errorf("read how far the records are: %w", err)
		}
		out = append(out, x)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read how far the records are: %w", err)
	}
	return out, nil
}

// Entry is one result as it came.
type Entry struct {
	Seq     int64
	Payload []byte
}

// Read returns up to n results of a stream that come after a number, in order.
func (s *Store) Read(ctx context.Context, stream string, after int64, n int) ([]Entry, error) {
	rows, err := s.db.QueryContext(ctx, "SELECT seq, payload FROM result WHERE stream=$1 AND seq>$2 ORDER BY seq LIMIT $3", stream, after, n)
	if err != nil {
		return nil, fmt.Errorf("read results: %w", err)
	}
	defer rows.Close()
	var out []Entry
	for rows.Next() {
		var e Entry
		var payload string
		if err := rows.Scan(&e.Seq, &payload); err != nil {
			return nil, fmt.Errorf("read results: %w", err)
		}
		e.Payload = []byte(payload)
		out = append(out, e)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read results: %w", err)
	}
	return out, nil
}
