// Package outbox numbers results and keeps them until the broker has
// acknowledged them. This one keeps them in memory, bounded; a durable one has
// the same shape.
//
// It knows nothing of connections: link takes from it and reports back.
package outbox

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"keyturn/protocol"
)

// DefaultMax is how many results an outbox keeps unless told otherwise: half an
// hour of a busy bench.
const DefaultMax = 4096

// Options shapes an outbox.
type Options struct {
	// Stream names its numbering; an id.
	Stream string
	// Max is how many unacknowledged results are kept; zero means DefaultMax.
	Max int
	// Block makes Put wait for an acknowledgement when the outbox is full,
	// instead of dropping the oldest: for simulated time, which can wait.
	Block bool
}

// Entry is one stored result.
type Entry struct {
	Seq     int64
	Message protocol.Message // its row of the topic table
	Payload []byte
}

// Outbox is a bounded queue of results. It is safe for concurrent use.
type Outbox struct {
	o       Options
	mu      sync.Mutex
	entries []Entry // unacknowledged, oldest first
	last    int64   // the latest number given
	acked   int64
	dropped int64
	more    chan struct{} // a result was put
	room    chan struct{} // one was acknowledged
}

// New returns an empty outbox. It panics on a stream that is no id: the caller
// makes it.
func New(o Options) *Outbox {
	if err := protocol.CheckID(o.Stream); err != nil {
		panic("outbox: stream: " + err.Error())
	}
	if o.Max == 0 {
		o.Max = DefaultMax
	}
	return &Outbox{o: o, more: make(chan struct{}, 1), room: make(chan struct{}, 1)}
}

// Stream returns the name of the numbering.
func (b *Outbox) Stream() string { return b.o.Stream }

// ErrStopped is returned by Put when its context ended while it waited for room.
var ErrStopped = errors.New("stopped while waiting for room")

// Put numbers a result, writes stream and number into it and keeps its bytes.
// With a full outbox the oldest quarter is dropped and a gap document explains
// the hole; or, with Block, Put waits.
func (b *Outbox) Put(ctx context.Context, d protocol.Result) (seq int64, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for len(b.entries) >= b.o.Max {
		if !b.o.Block {
			if err := b.drop(d); err != nil {
				return 0, err
			}
			break
		}
		b.mu.Unlock()
		select {
		case <-b.room:
		case <-ctx.Done():
			b.mu.Lock()
			return 0, fmt.Errorf("put a result: %w", ErrStopped)
		}
		b.mu.Lock()
	}
	return b.put(d)
}

func (b *Outbox) put(d protocol.Result) (int64, error) {
	h := d.ResultHead()
	h.Stream, h.Seq = b.o.Stream, b.last+1
	payload, err := protocol.Encode(d)
	if err != nil {
		return 0, fmt.Errorf("put a result: %w", err)
	}
	b.last++
	b.entries = append(b.entries, Entry{b.last, protocol.MessageOf(d), payload})
	signal(b.more)
	return b.last, nil
}

// drop makes room and explains the hole in the name of the document that needs
// the room.
func (b *Outbox) drop(d protocol.Result) error {
	n := max(1, b.o.Max/4)
	gap := &protocol.Gap{
		ResultHeader: *d.ResultHead(),
		FromSeq:      b.entries[0].Seq, ToSeq: b.entries[n-1].Seq, Count: int64(n),
		Reason: "outbox full: the broker did not acknowledge",
	}
	b.dropped += int64(n)
	b.entries = append([]Entry(nil), b.entries[n:]...)
	_, err := b.put(gap)
	return err
}

// Next returns up to n results that come after a number, in order.
func (b *Outbox) Next(after int64, n int) []Entry {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, e := range b.entries {
		if e.Seq > after {
			return append([]Entry(nil), b.entries[i:min(i+n, len(b.entries))]...)
		}
	}
	return nil
}

// More is signalled when there may be more to take than at the last look.
func (b *Outbox) More() <-chan struct{} { return b.more }

// Acked says that the broker has acknowledged everything up to a number.
func (b *Outbox) Acked(seq int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if seq <= b.acked {
		return
	}
	b.acked = seq
	i := 0
	for i < len(b.entries) && b.entries[i].Seq <= seq {
		i++
	}
	b.entries = b.entries[i:]
	signal(b.room)
}

// Counts is the state of an outbox.
type Counts struct {
	Last, Acked, Dropped int64
	Waiting              int
}

// Counts returns the present state.
func (b *Outbox) Counts() Counts {
	b.mu.Lock()
	defer b.mu.Unlock()
	return Counts{b.last, b.acked, b.dropped, len(b.entries)}
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
