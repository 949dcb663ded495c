package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"keyturn/protocol"
)

// Added says what became of results.
type Added struct {
	New, Known int
	// Refused are those that are no sound results, with the reason; nothing of them
	// is kept.
	Refused []error
	// Streams are how far those are that results came of, new or known, the stream of
	// the last result last.
	Streams []Stream
}

// errNotResult is the cause when a document is not one of those that are numbered.
var errNotResult = errors.New("not a result")

// came is a result as it came.
type came struct {
	protocol.Result
	head    *protocol.ResultHeader
	payload []byte
}

// Add keeps results, all or none of the sound ones: each once, by stream and number.
// When it returns they are on the disk. A statement for many rows costs little more
// than one for one row, so give it many.
func (s *Store) Add(ctx context.Context, payloads ...[]byte) (a Added, err error) {
	all := decode(payloads, &a)
	if len(all) == 0 {
		return a, nil
	}
	if a.New, a.Streams, err = s.add(ctx, all); err != nil {
		return Added{}, fmt.Errorf("keep results: %w", err)
	}
	a.Known = len(all) - a.New
	return a, nil
}

// decode reads documents on all processors: with one it takes as long as the database.
func decode(payloads [][]byte, a *Added) []came {
	all, errs := make([]came, len(payloads)), make([]error, len(payloads))
	var next atomic.Int64
	var reading sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(payloads)) {
		reading.Go(func() {
			for i := next.Add(1) - 1; i < int64(len(payloads)); i = next.Add(1) - 1 {
				d, err := protocol.Decode(payloads[i])
				r, ok := d.(protocol.Result)
				if err == nil && !ok {
					err = errNotResult
				}
				if errs[i] = err; err == nil {
					all[i] = came{r, r.ResultHead(), payloads[i]}
				}
			}
		})
	}
	reading.Wait()
	sound := all[:0]
	for i, err := range errs {
		if err != nil {
			a.Refused = append(a.Refused, err)
			continue
		}
		sound = append(sound, all[i])
	}
	return sound
}

func (s *Store) add(ctx context.Context, all []came) (fresh int, streams []Stream, err error) {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return 0, nil, err
	}
	defer tx.Rollback() // nothing is left to undo after the commit
	upTo, err := s.hold(ctx, tx, all)
	if err != nil {
		return 0, nil, fmt.Errorf("look how far the records are: %w", err)
	}
	arrived := s.now().UTC().Format(arrivedForm)
	added, err := s.insert(ctx, tx, all, arrived)
	if err != nil {
		return 0, nil, err
	}
	if err := s.index(ctx, tx, added, arrived); err != nil {
		return 0, nil, err
	}
	if err := s.advance(ctx, tx, upTo, added); err != nil {
		return 0, nil, fmt.Errorf("count results: %w", err)
	}
	if streams, err = reached(ctx, tx, upTo, all); err != nil {
		return 0, nil, fmt.Errorf("look how far the records are: %w", err)
	}
	return len(added), streams, tx.Commit()
}

// reached tells how far the streams of results are now.
func reached(ctx context.Context, tx *sql.Tx, upTo map[string]int64, all []came) ([]Stream, error) {
	var out []Stream
	for _, c := range slices.Backward(all) {
		h := c.head
		to, left := upTo[h.Stream]
		if !left {
			continue
		}
		delete(upTo, h.Stream)
		x := Stream{h.Stream, h.Bench, to, h.Seq, h.Boot, h.MonoNS}
		if x.Last != to { // not in order: what came last is not the latest
			err := tx.QueryRowContext(ctx, "SELECT seq, boot, mono_ns FROM result WHERE stream=$1 ORDER BY seq DESC LIMIT 1", h.Stream).Scan(&x.Last, &x.Boot, &x.MonoNS)
			if err != nil {
				return nil, err
			}
		}
		out = append(out, x)
	}
	slices.Reverse(out)
	return out, nil
}

// hold tells how far each stream is that results are of, and lets no other keeper add
// to it until the transaction ends: two would each miss what the other adds. All take
// the streams in one order, so that none waits for another for ever.
func (s *Store) hold(ctx context.Context, tx *sql.Tx, all []came) (upTo map[string]int64, err error) {
	benches := map[string]string{}
	for _, c := range all {
		benches[c.head.Stream] = c.head.Bench
	}
	t := newStreams()
	for _, stream := range slices.Sorted(maps.Keys(benches)) {
		t.row(stream, benches[stream], 0)
	}
	upTo = map[string]int64{}
	return upTo, s.each(ctx, tx, &t, func(rows *sql.Rows) error {
		var stream string
		var n int64
		err := rows.Scan(&stream, &n)
		upTo[stream] = n
		return err
	})
}

// newStreams are the streams that results are about to be added to.
func newStreams() table {
	return table{"INSERT INTO stream (stream, bench, up_to_seq) VALUES", 3, "ON CONFLICT (stream) DO UPDATE SET up_to_seq = stream.up_to_seq RETURNING stream, up_to_seq", nil}
}

// insert writes what is not there yet, and returns it.
func (s *Store) insert(ctx context.Context, tx *sql.Tx, all []came, arrived string) ([]came, error) {
	t := table{"INSERT INTO result (stream, seq, bench, name, boot, mono_ns, wall, arrived, payload) VALUES", 9, "ON CONFLICT (stream, seq) DO NOTHING RETURNING stream, seq", nil}
	type id struct {
		stream string
		seq    int64
	}
	byID := map[id]came{}
	for _, c := range all {
		h := c.head
		if _, twice := byID[id{h.Stream, h.Seq}]; !twice {
			byID[id{h.Stream, h.Seq}] = c
			t.row(h.Stream, h.Seq, h.Bench, protocol.MessageOf(c.Result).Name, h.Boot, h.MonoNS, orNull(h.Wall), arrived, string(c.payload))
		}
	}
	var added []came
	err := s.each(ctx, tx, &t, func(rows *sql.Rows) error {
		var x id
		err := rows.Scan(&x.stream, &x.seq)
		added = append(added, byID[x])
		return err
	})
	return added, err
}

// index writes what results are looked up by.
func (s *Store) index(ctx context.Context, tx *sql.Tx, added []came, arrived string) error {
	gaps := table{"INSERT INTO gap (stream, from_seq, to_seq) VALUES", 3, "ON CONFLICT DO NOTHING", nil}
	latest := map[CycleRef]*protocol.Cycle{}
	for _, c := range added {
		switch d := c.Result.(type) {
		case *protocol.Gap:
			gaps.row(d.Stream, d.FromSeq, d.ToSeq)
		case *protocol.Cycle:
			ref := CycleRef{d.Bench, d.ID}
			if l := latest[ref]; l == nil || d.Revision > l.Revision || d.Revision == l.Revision && d.Seq < l.Seq {
				latest[ref] = d
			}
		}
	}
	if err := s.each(ctx, tx, &gaps, nil); err != nil {
		return err
	}
	var cycles []*protocol.Cycle
	for _, ref := range slices.SortedFunc(maps.Keys(latest), CycleRef.compare) {
		cycles = append(cycles, latest[ref])
	}
	if err := s.indexCycles(ctx, tx, cycles, arrived); err != nil {
		return err
	}
	return s.indexVerdicts(ctx, tx, added, arrived)
}

func orNull[T ~string](s T) any {
	if s == "" {
		return nil
	}
	return string(s)
}
