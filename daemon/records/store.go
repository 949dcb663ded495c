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

	"keyturn/protocol"
)

// Store is the records. It is safe for concurrent use.
type Store struct {
	db  *sql.DB
	now func() time.Time
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
	driver, source := "sqlite", "file:"+strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(o.URL)+pragmas
	if strings.HasPrefix(o.URL, "postgres://") || strings.HasPrefix(o.URL, "postgresql://") {
		driver, source = "pgx", o.URL
	}
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
	return &Store{db: db, now: o.Now}, nil
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

// Added says what became of results.
type Added struct {
	New, Known int
	// Refused are those that are no sound results, with the reason; nothing of them
	// is kept.
	Refused []error
}

// errNotResult is the cause when a document is not one of those that are numbered.
var errNotResult = errors.New("not a result")

// Add keeps results, all or none of the sound ones: each once, by stream and number.
// When it returns they are on the disk.
func (s *Store) Add(ctx context.Context, payloads ...[]byte) (a Added, err error) {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return a, fmt.Errorf("keep results: %w", err)
	}
	defer tx.Rollback() // nothing is left to undo after the commit
	arrived := s.now().UTC().Format(arrivedForm)
	streams := map[string]string{}
	for _, p := range payloads {
		d, err := protocol.Decode(p)
		r, ok := d.(protocol.Result)
		if err == nil && !ok {
			err = errNotResult
		}
		if err != nil {
			a.Refused = append(a.Refused, err)
			continue
		}
		fresh, err := insert(ctx, tx, r, p, arrived)
		if err != nil {
			return Added{}, fmt.Errorf("keep result %d of %s: %w", r.ResultHead().Seq, r.ResultHead().Stream, err)
		}
		if !fresh {
			a.Known++
			continue
		}
		a.New++
		streams[r.ResultHead().Stream] = r.ResultHead().Bench
	}
	for stream, bench := range streams { // each by itself
		if err := advance(ctx, tx, stream, bench, 0); err != nil {
			return Added{}, fmt.Errorf("count the results of %s: %w", stream, err)
		}
	}
	if err := tx.Commit(); err != nil {
		return Added{}, fmt.Errorf("keep results: %w", err)
	}
	return a, nil
}

// insert writes one result and what is looked up of it, unless it is there.
func insert(ctx context.Context, tx *sql.Tx, r protocol.Result, payload []byte, arrived string) (fresh bool, err error) {
	h := r.ResultHead()
	res, err := tx.ExecContext(ctx, `INSERT INTO result (stream, seq, bench, name, boot, mono_ns, wall, arrived, payload)
		VALUES ($1,$2,$3,$4,$5,$6,$7,$8,$9) ON CONFLICT (stream, seq) DO NOTHING`,
		h.Stream, h.Seq, h.Bench, protocol.MessageOf(r).Name, h.Boot, h.MonoNS, orNull(h.Wall), arrived, string(payload))
	if err != nil {
		return false, err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return false, err
	}
	switch d := r.(type) {
	case *protocol.Gap:
		_, err = tx.ExecContext(ctx, "INSERT INTO gap (stream, from_seq, to_seq) VALUES ($1,$2,$3) ON CONFLICT DO NOTHING", h.Stream, d.FromSeq, d.ToSeq)
	case *protocol.Cycle:
		err = insertCycle(ctx, tx, d, arrived)
	}
	return true, err
}

func orNull[T ~string](s T) any {
	if s == "" {
		return nil
	}
	return string(s)
}

// advance moves up the number up to which a stream is complete, and at least to a
// number.
func advance(ctx context.Context, tx *sql.Tx, stream, bench string, least int64) error {
	if _, err := tx.ExecContext(ctx, "INSERT INTO stream (stream, bench, up_to_seq) VALUES ($1,$2,0) ON CONFLICT (stream) DO NOTHING", stream, bench); err != nil {
		return err
	}
	var upTo int64
	if err := tx.QueryRowContext(ctx, "SELECT up_to_seq FROM stream WHERE stream=$1", stream).Scan(&upTo); err != nil {
		return err
	}
	before := upTo
	for upTo = max(upTo, least); ; {
		next, err := run(ctx, tx, stream, upTo)
		if err != nil {
			return err
		}
		var over sql.NullInt64
		if err := tx.QueryRowContext(ctx, "SELECT max(to_seq) FROM gap WHERE stream=$1 AND from_seq<=$2 AND to_seq>=$2", stream, next+1).Scan(&over); err != nil {
			return err
		}
		if over.Valid {
			next = over.Int64
		}
		if next == upTo {
			break
		}
		upTo = next
	}
	if upTo == before {
		return nil
	}
	_, err := tx.ExecContext(ctx, "UPDATE stream SET up_to_seq=$1 WHERE stream=$2", upTo, stream)
	return err
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

// KeptFrom notes that a bench no longer keeps the results of a stream before a number:
// what is missing of them will not come.
func (s *Store) KeptFrom(ctx context.Context, stream, bench string, from int64) error {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("note what a bench keeps: %w", err)
	}
	defer tx.Rollback() // nothing is left to undo after the commit
	if err := advance(ctx, tx, stream, bench, from-1); err != nil {
		return fmt.Errorf("note what a bench keeps: %w", err)
	}
	return tx.Commit()
}
