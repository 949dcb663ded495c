package outbox

import (
	"context"
	"fmt"
	"sync"

	"keyturn/protocol"
)

// DefaultMax is how many results a Memory keeps unless told otherwise: half an
// hour of a busy bench.
const DefaultMax = 4096

// MemoryOptions shapes a Memory.
type MemoryOptions struct {
	// Stream names its numbering; an id.
	Stream string
	// Max is how many unacknowledged results are kept; zero means DefaultMax.
	Max int
	// Block makes Put wait for an acknowledgement when the outbox is full,
	// instead of dropping the oldest: for simulated time, which can wait.
	Block bool
}

// Memory is a bounded queue of results that lives as long as the process: for the
// demo and for simulated time. It is safe for concurrent use.
type Memory struct {
	o       MemoryOptions
	mu      sync.Mutex
	entries []Entry // unacknowledged, oldest first
	last    int64   // the latest number given
	acked   int64
	dropped int64
	more    chan struct{} // a result was put
	room    chan struct{} // one was acknowledged
}

// NewMemory returns an empty queue. It panics on a stream that is no id: the caller
// makes it.
func NewMemory(o MemoryOptions) *Memory {
	if err := protocol.CheckID(o.Stream); err != nil {
		panic("outbox: stream: " + err.Error())
	}
	if o.Max == 0 {
		o.Max = DefaultMax
	}
	return &Memory{o: o, more: make(chan struct{}, 1), room: make(chan struct{}, 1)}
}

// OpenCycles returns none: what is in memory was never cut short.
func (b *Memory) OpenCycles() ([]*protocol.Cycle, error) { return nil, nil }

// Stream returns the name of the numbering.
func (b *Memory) Stream() string { return b.o.Stream }

// Put numbers a result, writes stream and number into it and keeps its bytes.
// With a full outbox the oldest quarter is dropped and a gap document explains
// the hole; or, with Block, Put waits.
func (b *Memory) Put(ctx context.Context, d protocol.Result) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	for len(b.entries) >= b.o.Max {
		if !b.o.Block {
			if err := b.drop(d); err != nil {
				return err
			}
			break
		}
		b.mu.Unlock()
		select {
		case <-b.room:
		case <-ctx.Done():
			b.mu.Lock()
			return fmt.Errorf("put a result: %w", ErrStopped)
		}
		b.mu.Lock()
	}
	return b.put(d)
}

func (b *Memory) put(d protocol.Result) error {
	h := d.ResultHead()
	h.Stream, h.Seq = b.o.Stream, b.last+1
	payload, err := protocol.Encode(d)
	if err != nil {
		return fmt.Errorf("put a result: %w", err)
	}
	b.last++
	b.entries = append(b.entries, Entry{b.last, protocol.MessageOf(d), payload})
	signal(b.more)
	return nil
}

// drop makes room and explains the hole in the name of the document that needs
// the room.
func (b *Memory) drop(d protocol.Result) error {
	n := max(1, b.o.Max/4)
	gap := &protocol.Gap{
		ResultHeader: *d.ResultHead(),
		FromSeq:      b.entries[0].Seq, ToSeq: b.entries[n-1].Seq, Count: int64(n),
		Reason: "outbox full: the broker did not acknowledge",
	}
	b.dropped += int64(n)
	b.entries = append([]Entry(nil), b.entries[n:]...)
	return b.put(gap)
}

// Next returns up to n results that come after a number, in order.
func (b *Memory) Next(after int64, n int) []Entry {
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
func (b *Memory) More() <-chan struct{} { return b.more }

// Acked says that the broker has acknowledged everything up to a number.
func (b *Memory) Acked(seq int64) {
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

// Receipt does nothing: what is in memory waits for no record keeper.
func (b *Memory) Receipt(string, int64) error { return nil }

// Counts returns the present state.
func (b *Memory) Counts() Counts {
	b.mu.Lock()
	defer b.mu.Unlock()
	return Counts{Last: b.last, Acked: b.acked, Delivered: b.acked, KeptFrom: b.last - int64(len(b.entries)) + 1, Dropped: b.dropped, Waiting: int64(len(b.entries))}
}
