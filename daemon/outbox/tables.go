package outbox

import (
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	_ "modernc.org/sqlite" // the driver named sqlite

	"keyturn/protocol"
)

// tables are those of a store; version is their version, SQLite's user_version.
const (
	version = 1
	tables  = `
CREATE TABLE meta(name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE result(seq INTEGER PRIMARY KEY, name TEXT NOT NULL, payload BLOB NOT NULL, stored_s INTEGER);
CREATE TABLE receipt(keeper TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID;
`
	// pragmas: a commit is on the disk before it returns, and a crash of the
	// machine at any instant leaves a sound file.
	pragmas = "?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=busy_timeout(2000)&_pragma=wal_autocheckpoint(256)&_txlock=immediate"
)

// errUnsound says that a file is no sound store.
var errUnsound = errors.New("the store is unsound")

// openDB opens the file and makes or checks its tables.
func openDB(path, more string) (*sql.DB, error) {
	db, err := sql.Open("sqlite", "file:"+escape(path)+pragmas+more)
	if err != nil {
		return nil, fmt.Errorf("open store %s: %w", path, err)
	}
	if err := prepare(db); err != nil {
		return nil, errors.Join(fmt.Errorf("open store %s: %w", path, err), db.Close())
	}
	return db, nil
}

// escape makes a path fit for a file URL.
func escape(path string) string {
	return strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(path)
}

// prepare checks the file and makes its tables. What it cannot read is unsound;
// what it cannot write is an error of the disk.
func prepare(db *sql.DB) error {
	var check string
	if err := db.QueryRow("PRAGMA quick_check(1)").Scan(&check); err != nil {
		if corrupt(err) {
			return fmt.Errorf("%w: %w", errUnsound, err)
		}
		return err
	}
	if check != "ok" {
		return fmt.Errorf("%w: %s", errUnsound, check)
	}
	var v int
	if err := db.QueryRow("PRAGMA user_version").Scan(&v); err != nil {
		return err
	}
	switch v {
	case version:
		// A disk that is only full may be opened: what is delivered makes room.
		_, err := db.Exec("INSERT OR REPLACE INTO meta VALUES('opens', 1+coalesce((SELECT value FROM meta WHERE name='opens'),0))")
		if err != nil && strings.Contains(err.Error(), "readonly") {
			return fmt.Errorf("results cannot be written there: %w", err)
		}
		return nil
	case 0:
		_, err := db.Exec("BEGIN IMMEDIATE;" + tables + fmt.Sprintf("PRAGMA user_version=%d;", version) + "COMMIT;")
		return err
	}
	return fmt.Errorf("its version is %d, this program knows %d: it was made by a later one; use that", v, version)
}

// corrupt reports whether SQLite says that the file itself is bad.
func corrupt(err error) bool {
	text := err.Error()
	return strings.Contains(text, "malformed") || strings.Contains(text, "not a database")
}

// load reads the state of the store; a new one gets its stream.
func (s *Store) load() error {
	err := s.db.QueryRow("SELECT value FROM meta WHERE name='stream'").Scan(&s.stream)
	if errors.Is(err, sql.ErrNoRows) {
		s.stream = newStream()
		_, err = s.db.Exec("INSERT INTO meta VALUES('stream',?)", s.stream)
	}
	if err != nil {
		return fmt.Errorf("read the store: %w", err)
	}
	if err := protocol.CheckID(s.stream); err != nil {
		return fmt.Errorf("read the store: stream: %w", err)
	}
	row := s.db.QueryRow(`SELECT coalesce((SELECT value FROM meta WHERE name='last'),0), coalesce((SELECT value FROM meta WHERE name='acked'),0),
		coalesce((SELECT sum(length(payload)) FROM result),0), coalesce((SELECT min(seq) FROM result),0)`)
	if err := row.Scan(&s.counts.Last, &s.acked, &s.counts.Bytes, &s.counts.KeptFrom); err != nil {
		return fmt.Errorf("read the store: %w", err)
	}
	if s.counts.KeptFrom == 0 {
		s.counts.KeptFrom = s.counts.Last + 1
	}
	rows, err := s.db.Query("SELECT keeper, seq FROM receipt")
	if err != nil {
		return fmt.Errorf("read the store: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var keeper string
		var seq int64
		if err := rows.Scan(&keeper, &seq); err != nil {
			return fmt.Errorf("read the store: %w", err)
		}
		if slices.Contains(s.o.Keepers, keeper) { // the others were keepers once
			s.receipts[keeper] = seq
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("read the store: %w", err)
	}
	return nil
}

// errFull says that the results kept have reached their limit and none may go.
var errFull = errors.New("the store is full: results are kept until they are delivered; look at the broker and the record keepers, or allow it more")

// try writes a batch in one transaction, and the broker's cursor and the receipts
// with it; ackDue writes those alone, too.
func (s *Store) try(batch []protocol.Result, ackDue bool) error {
	if done, err := s.settleDoubt(batch); err != nil {
		return err
	} else if done {
		batch = nil
	}
	s.mu.Lock()
	last, acked, bytes, lost, head, unsaved := s.counts.Last, s.acked, s.counts.Bytes, s.lost, s.lastOne, s.unsaved
	receipts := maps.Clone(s.receipts)
	s.mu.Unlock()
	if len(batch) == 0 && lost == 0 && (!unsaved || !ackDue) {
		return nil
	}
	if len(batch) > 0 && bytes >= s.o.MaxBytes {
		return errFull
	}
	given := batch
	tx, err := s.db.Begin()
	if err != nil {
		return s.failed(err)
	}
	if lost > 0 {
		// What the queue could not hold came after everything in it, but its place
		// in the numbering is of no meaning: nobody ever sees it.
		gap := &protocol.Gap{ResultHeader: head, FromSeq: last + 1, ToSeq: last + lost, Count: lost,
			Reason: "the disk was too slow: the queue before it was full"}
		batch = append([]protocol.Result{gap}, batch...)
		last += lost
	}
	insert := func() error {
		for _, d := range batch {
			h := d.ResultHead()
			h.Stream, h.Seq = s.stream, last+1
			payload, err := protocol.Encode(d)
			if err != nil {
				s.o.Logger.Error("a result could not be written as a document", "error", err)
				d = unwritable(d, err)
				if payload, err = protocol.Encode(d); err != nil {
					return err
				}
			}
			if _, err := tx.Exec("INSERT INTO result VALUES(?,?,?,?)", h.Seq, protocol.MessageOf(d).Name, payload, s.seconds()); err != nil {
				return err
			}
			last, bytes = h.Seq, bytes+int64(len(payload))
		}
		for keeper, seq := range receipts { // each row by itself
			if _, err := tx.Exec("INSERT OR REPLACE INTO receipt VALUES(?,?)", keeper, seq); err != nil {
				return err
			}
		}
		_, err := tx.Exec("INSERT OR REPLACE INTO meta VALUES('last',?),('acked',?)", last, acked)
		return err
	}
	if err := insert(); err != nil {
		_ = tx.Rollback() // SQLite may have done it already
		return s.failed(err)
	}
	if err := tx.Commit(); err != nil {
		// It may be on the disk all the same.
		if last > s.counts.Last {
			s.doubt, s.doubtLost, s.doubtful = last, lost, given
		}
		return s.failed(err)
	}
	s.kept(last, bytes, lost, acked, receipts)
	return nil
}

// unwritable stands for a result that is no sound document: in its place and under
// its number something says so.
func unwritable(d protocol.Result, err error) protocol.Result {
	h := *d.ResultHead()
	return &protocol.BenchFault{ResultHeader: h, AtNS: h.MonoNS, Count: 1,
		Reason: fmt.Sprintf("a %s could not be written: %v", protocol.MessageOf(d).Name, err)}
}

// failed says that results cannot be kept, where, and what to do about it.
func (s *Store) failed(err error) error {
	if full(err) {
		return fmt.Errorf("keep results in %s: %w: make room there", s.o.Path, err)
	}
	return fmt.Errorf("keep results in %s: %w", s.o.Path, err)
}

// full reports whether SQLite says that there is no room.
func full(err error) bool {
	return errors.Is(err, errFull) || strings.Contains(err.Error(), "disk is full")
}

// settleDoubt finds out whether a commit that failed was done all the same, and
// whether it is this batch that it was of.
func (s *Store) settleDoubt(batch []protocol.Result) (done bool, err error) {
	if s.doubt == 0 {
		return false, nil
	}
	var last, bytes int64
	row := s.db.QueryRow("SELECT coalesce((SELECT value FROM meta WHERE name='last'),0), coalesce((SELECT sum(length(payload)) FROM result),0)")
	if err := row.Scan(&last, &bytes); err != nil {
		return false, s.failed(err)
	}
	if last == s.doubt {
		done = len(batch) > 0 && len(s.doubtful) > 0 && batch[0] == s.doubtful[0]
		s.kept(last, bytes, s.doubtLost, -1, nil)
	}
	s.doubt, s.doubtful = 0, nil
	return done, nil
}

// kept notes what is on the disk now.
func (s *Store) kept(last, bytes, lost, acked int64, receipts map[string]int64) {
	s.mu.Lock()
	s.counts.Last, s.counts.Bytes = last, bytes
	s.lost -= lost
	s.unsaved = s.acked != acked || !maps.Equal(s.receipts, receipts)
	s.mu.Unlock()
	signal(s.more)
}

// seconds is the wall time of storing; nil while it is not known.
func (s *Store) seconds() any {
	if now, ok := s.o.Now(); ok {
		return now.Unix()
	}
	return nil
}

// Next returns up to n results that come after a number, in order. A store that
// cannot be read gives none.
func (s *Store) Next(after int64, n int) []Entry {
	entries, err := s.Range(after+1, 1<<62, n)
	if err != nil {
		s.o.Logger.Error("results cannot be read", "error", err)
	}
	return entries
}

// Range returns up to n results with numbers from one up to another, in order.
func (s *Store) Range(from, to int64, n int) ([]Entry, error) {
	rows, err := s.db.Query("SELECT seq, name, payload FROM result WHERE seq BETWEEN ? AND ? ORDER BY seq LIMIT ?", from, to, n)
	if err != nil {
		return nil, fmt.Errorf("read results: %w", err)
	}
	defer rows.Close()
	var out []Entry
	for rows.Next() {
		var e Entry
		var name string
		if err := rows.Scan(&e.Seq, &name, &e.Payload); err != nil {
			return out, fmt.Errorf("read results: %w", err)
		}
		i := slices.IndexFunc(protocol.Messages(), func(m protocol.Message) bool { return m.Name == name })
		if i < 0 {
			continue // of a later version
		}
		e.Message = protocol.Messages()[i]
		out = append(out, e)
	}
	if err := rows.Err(); err != nil {
		return out, fmt.Errorf("read results: %w", err)
	}
	return out, nil
}

// newest is when the latest result was stored, by the wall clock of then.
func (s *Store) newest() time.Time {
	var at sql.NullInt64
	if err := s.db.QueryRow("SELECT stored_s FROM result WHERE stored_s IS NOT NULL ORDER BY seq DESC LIMIT 1").Scan(&at); err != nil {
		return time.Time{}
	}
	return time.Unix(at.Int64, 0)
}

// tidy deletes results that are delivered and old, or delivered and in the way of
// new ones: always the oldest, so that what is kept has no hole. cramped says that the
// disk has no room.
func (s *Store) tidy(cramped bool) {
	for range tidyRounds {
		s.turn()
		c := s.Counts()
		limit := min(c.Acked, c.Delivered)
		if !cramped && c.Bytes < s.o.MaxBytes*9/10 {
			old, err := s.oldest()
			if err != nil {
				s.o.Logger.Error("old results cannot be looked for", "error", err)
				return
			}
			limit = min(limit, old)
		}
		if limit < c.KeptFrom {
			return
		}
		n, err := s.forget(limit)
		if err != nil {
			s.o.Logger.Error("old results cannot be deleted", "error", err)
			return
		}
		if n == 0 || cramped {
			return
		}
	}
}

// oldest returns the number up to which all results are older than they need be
// kept; 0 while the wall clock is not to be believed. One that was stored while it was
// not known is as old as the next that tells.
func (s *Store) oldest() (seq int64, err error) {
	now, ok := s.o.Now()
	if !ok || !s.ages.believe(now, s.o.elapsed(), s.newest(), s.o.KeepFor) {
		return 0, nil
	}
	before := now.Add(-s.o.KeepFor).Unix()
	young := int64(1 << 62)
	err = s.db.QueryRow("SELECT seq FROM result WHERE stored_s >= ? ORDER BY seq LIMIT 1", before).Scan(&young)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return 0, err
	}
	err = s.db.QueryRow("SELECT seq FROM result WHERE seq < ? AND stored_s < ? ORDER BY seq DESC LIMIT 1", young, before).Scan(&seq)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return seq, err
}

// forget deletes the oldest results up to a number, some at once.
func (s *Store) forget(limit int64) (n int, err error) {
	rows, err := s.db.Query("DELETE FROM result WHERE seq IN (SELECT seq FROM result WHERE seq <= ? ORDER BY seq LIMIT ?) RETURNING seq, length(payload)", limit, tidyMost)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	var last, bytes int64
	for rows.Next() {
		var seq, size int64
		if err := rows.Scan(&seq, &size); err != nil {
			return n, err
		}
		n, last, bytes = n+1, max(last, seq), bytes+size
	}
	s.mu.Lock()
	s.counts.Bytes -= bytes
	s.counts.KeptFrom = max(s.counts.KeptFrom, last+1)
	s.mu.Unlock()
	return n, rows.Err()
}
