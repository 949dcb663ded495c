package outbox

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"time"

	"keyturn/protocol"
)

// Store keeps results in an SQLite file. One goroutine writes: it takes what has
// come together, gives each result its number and commits all of it at once, with
// the disk's word that it is there; only then can it be taken from the outbox. Put
// never waits for the disk: what its queue cannot hold is numbered, dropped, and
// explained by a stored gap.
//
// While the disk is full or failing nothing is dropped that is stored; what comes
// waits in the queue and is tried again, and Counts says why.
type Store struct {
	o      StoreOptions
	db     *sql.DB
	stream string
	queue  chan queued
	more   chan struct{}
	stop   chan struct{}
	done   chan struct{}
	held   *os.File // its lock is this store's

	mu        sync.Mutex
	counts    Counts
	acked     int64             // as told; written with the next commit, or now and then
	receipts  map[string]int64  // of the record keepers, likewise
	unsaved   bool              // acked or receipts are not on disk as they are here
	doubt     int64             // what Last is if a commit that failed was done all the same; else 0
	doubtLost int64             // the lost results that its gap explains
	doubtful  []protocol.Result // the batch of that commit
	lost      int64             // results the queue could not hold since the last commit
	lastOne   protocol.ResultHeader
	ages      ages      // of the writer alone
	turned    time.Time // when the writer last turned
	closed    bool
}

// StoreOptions shapes a Store.
type StoreOptions struct {
	// Path is the file. Beside it SQLite keeps its journal.
	Path string
	// MaxBytes is how much the results may take; when it is reached and nothing may
	// be deleted, the store is full. Zero means DefaultMaxBytes.
	MaxBytes int64
	// KeepFor is how long a delivered result is kept. Zero means DefaultKeepFor.
	KeepFor time.Duration
	// Keepers are the record keepers without whose receipt nothing is deleted; no
	// other's is taken.
	Keepers []string
	// Now tells the wall time, for ages; false while it is not known: then nothing
	// grows old. Nil takes the system's.
	Now func() (time.Time, bool)
	// LeaveUnsound makes a file that is no sound store an error, instead of setting it
	// aside: for who only looks.
	LeaveUnsound bool
	// Logger gets what an operator should know; nil discards.
	Logger *slog.Logger

	pragmas string               // more of SQLite's settings, for tests
	elapsed func() time.Duration // since any fixed moment, monotonic; for tests
}

// The limits of a Store.
const (
	DefaultMaxBytes = 1 << 30
	DefaultKeepFor  = 30 * 24 * time.Hour
	queueMax        = 1024 // results that may wait for the disk
	// batchMax and batchFor bound what is committed at once: a commit costs two
	// writes of the disk however much is in it.
	batchMax = 64
	batchFor = 20 * time.Millisecond
	// ackEvery is how often the broker's cursor and the receipts are written if
	// nothing else is: that saves repetitions after a power cut, no results.
	ackEvery = 10 * time.Second
	// tidyEvery is how often old results are looked for, tidyMost how many are
	// deleted at once, tidyRounds how often in a row: results may be waiting.
	tidyEvery  = 10 * time.Minute
	tidyMost   = 500
	tidyRounds = 20
	// clockStep is a jump of the wall clock after which ages are not believed before
	// it has gone on for clockHolds: a clock set wrong must not delete results.
	clockStep  = time.Hour
	clockHolds = 24 * time.Hour
	// retryEvery is how long a failing disk is left alone.
	retryEvery = time.Second
)

// queued is a result on its way to the disk.
type queued struct {
	result protocol.Result
	flush  bool // commit at once
}

// Notice says what OpenStore found.
type Notice struct {
	// SetAside is where a store that could not be read was moved; empty if it could.
	SetAside string
	// Why says what was wrong with it.
	Why string
}

// OpenStore opens the file, or makes it. A file that is no sound store is set
// aside under another name and a new one begun, with a new stream.
func OpenStore(o StoreOptions) (*Store, Notice, error) {
	if o.MaxBytes == 0 {
		o.MaxBytes = DefaultMaxBytes
	}
	if o.KeepFor == 0 {
		o.KeepFor = DefaultKeepFor
	}
	if o.Now == nil {
		o.Now = func() (time.Time, bool) { return time.Now(), true }
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.elapsed == nil {
		began := time.Now()
		o.elapsed = func() time.Duration { return time.Since(began) }
	}
	var notice Notice
	held, err := hold(o.Path)
	if err != nil {
		return nil, notice, err
	}
	opened := false
	defer func() {
		if !opened {
			held.Close()
		}
	}()
	db, err := openDB(o.Path, o.pragmas)
	if errors.Is(err, errUnsound) && !o.LeaveUnsound {
		notice.Why = err.Error()
		if notice.SetAside, err = setAside(o.Path); err != nil {
			return nil, notice, err
		}
		db, err = openDB(o.Path, o.pragmas)
	}
	if err != nil {
		return nil, notice, err
	}
	s := &Store{o: o, db: db, queue: make(chan queued, queueMax), more: make(chan struct{}, 1),
		stop: make(chan struct{}), done: make(chan struct{}), receipts: map[string]int64{}, turned: time.Now()}
	if err := s.load(); err != nil {
		return nil, notice, errors.Join(err, db.Close())
	}
	opened, s.held = true, held
	go s.write()
	return s, notice, nil
}

// hold makes sure that no other program has the store, until what it returns is
// closed: two would give the same numbers.
func hold(path string) (*os.File, error) {
	f, err := os.OpenFile(path+".lock", os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open store %s: %w", path, err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		return nil, fmt.Errorf("open store %s: another program has it (a daemon that runs?): stop that first: %w", path, err)
	}
	return f, nil
}

// setAside moves a store that cannot be read out of the way.
func setAside(path string) (string, error) {
	for n := 1; ; n++ {
		to := fmt.Sprintf("%s.unsound-%d", path, n)
		if _, err := os.Lstat(to); err == nil {
			continue
		}
		err := os.Rename(path, to)
		for _, tail := range []string{"-wal", "-shm"} {
			if e := os.Rename(path+tail, to+tail); e != nil && !errors.Is(e, os.ErrNotExist) {
				err = errors.Join(err, e)
			}
		}
		if err != nil {
			return "", fmt.Errorf("set the unsound store aside: %w", err)
		}
		return to, nil
	}
}

// newStream is a random name of a numbering.
func newStream() string {
	var b [8]byte
	_, _ = rand.Read(b[:]) // it never fails
	return "s-" + hex.EncodeToString(b[:])
}

// Stream returns the name of the numbering.
func (s *Store) Stream() string { return s.stream }

// More is signalled when there may be more to take than at the last look.
func (s *Store) More() <-chan struct{} { return s.more }

// Counts returns the present state.
func (s *Store) Counts() Counts {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.counts
	c.Acked, c.Delivered = s.acked, s.acked
	for i, k := range s.o.Keepers {
		if seq := s.receipts[k]; i == 0 || seq < c.Delivered {
			c.Delivered = seq
		}
	}
	// What is no longer kept will not be waited for: a new keeper begins here.
	c.Delivered = max(c.Delivered, c.KeptFrom-1)
	c.Waiting, c.WriterIdle = c.Last-c.Acked, time.Since(s.turned)
	if c.Trouble == "" && c.Bytes >= s.o.MaxBytes {
		c.Trouble = errFull.Error()
	}
	return c
}

// Put hands a result to the writer. It is numbered when it is written; it must not
// be changed any more.
func (s *Store) Put(_ context.Context, d protocol.Result) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return fmt.Errorf("put a result: %w", ErrStopped)
	}
	c, isCycle := d.(*protocol.Cycle)
	select {
	case s.queue <- queued{d, isCycle && c.Final}:
		s.counts.Queued++
	default:
		s.lost++
		s.counts.Dropped++
		s.lastOne = *d.ResultHead()
	}
	return nil
}

// Acked says that the broker has acknowledged everything up to a number.
func (s *Store) Acked(seq int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if seq > s.acked {
		s.acked, s.unsaved = seq, true
	}
}

// Receipt notes that a record keeper has stored everything up to a number of this
// stream.
func (s *Store) Receipt(keeper string, seq int64) error {
	if err := protocol.CheckID(keeper); err != nil {
		return fmt.Errorf("receipt: keeper: %w", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if seq < 0 || seq > s.counts.Last {
		return fmt.Errorf("receipt of %s for %d: the latest result is %d", keeper, seq, s.counts.Last)
	}
	if !slices.Contains(s.o.Keepers, keeper) {
		return fmt.Errorf("receipt of %s: it is none of this bench's record keepers", keeper)
	}
	if seq > s.receipts[keeper] {
		s.receipts[keeper], s.unsaved = seq, true
	}
	return nil
}

// Close writes what waits and closes the file.
func (s *Store) Close() error {
	s.mu.Lock()
	was := s.closed
	s.closed = true
	s.mu.Unlock()
	if was {
		return nil
	}
	close(s.stop)
	<-s.done
	if err := errors.Join(s.db.Close(), s.held.Close()); err != nil {
		return fmt.Errorf("close store %s: %w", filepath.Base(s.o.Path), err)
	}
	return nil
}
