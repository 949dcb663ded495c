package records

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"keyturn/protocol"
)

// An origin has the very bytes of the highest revision, and the bench as it was under it:
// of several descriptions of one revision the last before the key cycle.
func TestOriginOfAKeyCycle(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := context.Background()
		described := func(seq int64, rev, software string) []byte {
			b := &protocol.BenchResult{ResultHeader: head("s", seq), Description: protocol.Description{Software: software, Subject: protocol.Vehicle}}
			b.BenchRev = rev
			return encode(t, b)
		}
		first := cycle(3, "1", 1, false, protocol.NotProven)
		last := cycle(6, "1", 2, true, protocol.Permanent)
		last.BenchRev = "new"
		last.Slots[0].Legend = "Größe <&> “q”"
		want := encode(t, last)
		add(t, s, described(1, "old", "too old"), described(2, "new", "first"), encode(t, first), described(4, "new", "before"), described(5, "other", "another"), want, described(7, "new", "after"))
		o, err := s.Origin(ctx, "bench-1", "0123abcd-1")
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(o.Payload, want) || o.Cycle.Revision != 2 {
			t.Errorf("revision %d, %d bytes of %d", o.Cycle.Revision, len(o.Payload), len(want))
		}
		if o.Bench == nil || o.Bench.Software != "before" {
			t.Errorf("the bench is %+v", o.Bench)
		}
		unknown := cycle(8, "2", 1, true, protocol.Permanent)
		unknown.BenchRev = "nowhere"
		add(t, s, encode(t, unknown))
		if o, err := s.Origin(ctx, "bench-1", "0123abcd-2"); err != nil || o.Bench != nil {
			t.Errorf("a bench that is not kept: %v, %+v", err, o)
		}
		if _, err := s.Origin(ctx, "bench-1", "0123abcd-9"); !errors.Is(err, ErrNone) {
			t.Errorf("no such key cycle: %v", err)
		}
	})
}
