package outbox

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"

	"keyturn/protocol"
)

func result(n int) *protocol.BenchFault {
	return &protocol.BenchFault{
		ResultHeader: protocol.ResultHeader{Header: protocol.Header{Bench: "b", Boot: "0123abcd", MonoNS: int64(n)}, BenchRev: "r"},
		Reason:       "test", Count: 1,
	}
}

func TestNumbersAreGaplessAndInTheBytes(t *testing.T) {
	b := NewMemory(MemoryOptions{Stream: "s"})
	for i := 1; i <= 10; i++ {
		err := b.Put(context.Background(), result(i))
		seq := b.Counts().Last
		if err != nil || seq != int64(i) {
			t.Fatalf("put %d: seq %d, %v", i, seq, err)
		}
	}
	for i, e := range b.Next(3, 100) {
		d, err := protocol.Decode(e.Payload)
		if err != nil {
			t.Fatal(err)
		}
		h := d.(protocol.Result).ResultHead()
		if e.Seq != int64(i+4) || h.Seq != e.Seq || h.Stream != "s" {
			t.Errorf("entry %d: %d, document says %s %d", i, e.Seq, h.Stream, h.Seq)
		}
	}
	b.Acked(8)
	if got := b.Next(0, 100); len(got) != 2 || got[0].Seq != 9 {
		t.Errorf("after acknowledging 8: %v", got)
	}
}

func TestOverflowIsExplainedByAGap(t *testing.T) {
	b := NewMemory(MemoryOptions{Stream: "s", Max: 8})
	for i := range 9 {
		if err := b.Put(context.Background(), result(i)); err != nil {
			t.Fatal(err)
		}
	}
	got := b.Next(0, 100)
	seen := map[int64]bool{}
	var gap *protocol.Gap
	for _, e := range got {
		seen[e.Seq] = true
		d, err := protocol.Decode(e.Payload)
		if err != nil {
			t.Fatal(err)
		}
		if g, ok := d.(*protocol.Gap); ok {
			gap = g
		}
	}
	if gap == nil || gap.FromSeq != 1 || gap.ToSeq != 2 || gap.Count != 2 || b.Counts().Dropped != 2 {
		t.Fatalf("gap %+v, counts %+v", gap, b.Counts())
	}
	for seq := int64(3); seq <= b.Counts().Last; seq++ {
		if !seen[seq] {
			t.Errorf("number %d is neither there nor explained", seq)
		}
	}
}

func TestBlockWaitsForRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := NewMemory(MemoryOptions{Stream: "s", Max: 2, Block: true})
		ctx, cancel := context.WithCancel(t.Context())
		put := make(chan error, 2)
		go func() {
			for i := range 4 {
				if err := b.Put(ctx, result(i)); err != nil {
					put <- err
					return
				}
			}
			put <- nil
		}()
		synctest.Wait()
		if c := b.Counts(); c.Last != 2 {
			t.Fatalf("%d put without room", c.Last)
		}
		b.Acked(1)
		synctest.Wait()
		if c := b.Counts(); c.Last != 3 || c.Dropped != 0 {
			t.Fatalf("after one acknowledgement: %+v", c)
		}
		cancel()
		if err := <-put; !errors.Is(err, ErrStopped) {
			t.Errorf("put after the end: %v", err)
		}
	})
}
