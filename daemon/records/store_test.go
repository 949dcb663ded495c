package records

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"keyturn/daemon/records/recordstest"
	"keyturn/protocol"
)

// onBoth runs a test on an SQLite file and on PostgreSQL.
func onBoth(t *testing.T, test func(*testing.T, *Store)) {
	for _, kind := range []string{"sqlite", "postgres"} {
		t.Run(kind, func(t *testing.T) { test(t, open(t, kind)) })
	}
}

func open(t testing.TB, kind string) *Store {
	t.Helper()
	url := filepath.Join(t.TempDir(), "records.db")
	if kind == "postgres" {
		url = recordstest.Postgres(t)
	}
	s, err := Open(context.Background(), Options{URL: url})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func head(stream string, seq int64) protocol.ResultHeader {
	return protocol.ResultHeader{Header: protocol.Header{Bench: "bench-1", Boot: "0123abcd", MonoNS: 1000 * seq}, Stream: stream, Seq: seq, BenchRev: "r"}
}

func encode(t testing.TB, d protocol.Document) []byte {
	t.Helper()
	b, err := protocol.Encode(d)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func fault(t testing.TB, stream string, seq int64) []byte {
	return encode(t, &protocol.BenchFault{ResultHeader: head(stream, seq), Reason: "test", Count: 1})
}

func add(t testing.TB, s *Store, payloads ...[]byte) Added {
	t.Helper()
	a, err := s.Add(context.Background(), payloads...)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func upTo(t testing.TB, s *Store, stream string) (int64, int64) {
	t.Helper()
	all, err := s.Streams(context.Background(), "bench-1")
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range all {
		if x.Stream == stream {
			return x.UpToSeq, x.Last
		}
	}
	return -1, -1
}

// In whatever order results come, and however often: each is kept once, and the number
// up to which they are complete is right at every step. A gap covers what it names; what
// a bench no longer keeps is not waited for.
func TestResultsAreKeptOnceAndCounted(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		rng := rand.New(rand.NewPCG(3, 1))
		const n = 120
		payloads := make([][]byte, 0, 2*n)
		for seq := int64(1); seq <= n; seq++ {
			switch {
			case seq >= 40 && seq < 50: // lost; 50 explains it
				continue
			case seq == 50:
				payloads = append(payloads, encode(t, &protocol.Gap{ResultHeader: head("s", 50), FromSeq: 40, ToSeq: 49, Count: 10, Reason: "test"}))
			default:
				payloads = append(payloads, fault(t, "s", seq))
			}
		}
		payloads = append(payloads, payloads...)
		rng.Shuffle(len(payloads), func(i, j int) { payloads[i], payloads[j] = payloads[j], payloads[i] })
		have, fresh, known := map[int64]bool{}, 0, 0
		for len(payloads) > 0 {
			k := min(1+rng.IntN(12), len(payloads))
			a := add(t, s, payloads[:k]...)
			fresh, known = fresh+a.New, known+a.Known
			for _, p := range payloads[:k] {
				d, err := protocol.Decode(p)
				if err != nil {
					t.Fatal(err)
				}
				have[d.(protocol.Result).ResultHead().Seq] = true
				if g, ok := d.(*protocol.Gap); ok {
					for seq := g.FromSeq; seq <= g.ToSeq; seq++ {
						have[seq] = true
					}
				}
			}
			payloads = payloads[k:]
			want := int64(0)
			for have[want+1] {
				want++
			}
			if got, _ := upTo(t, s, "s"); got != want {
				t.Fatalf("complete up to %d, want %d", got, want)
			}
		}
		if fresh != n-10 || known != n-10 {
			t.Errorf("%d new, %d known, want %d of each", fresh, known, n-10)
		}
		add(t, s, fault(t, "t", 24), fault(t, "t", 25))
		if got, last := upTo(t, s, "t"); got != 0 || last != 25 {
			t.Errorf("a stream that begins at 24: complete up to %d of %d", got, last)
		}
		if err := s.KeptFrom(context.Background(), "t", "bench-1", 24); err != nil {
			t.Fatal(err)
		}
		if got, _ := upTo(t, s, "t"); got != 25 {
			t.Errorf("kept from 24: complete up to %d, want 25", got)
		}
	})
}

func cycle(seq int64, id string, revision int, final bool, behaviour protocol.Behaviour) *protocol.Cycle {
	stays := protocol.Seconds(240)
	c := &protocol.Cycle{ResultHeader: head("s", seq), Subject: protocol.Vehicle, ID: "0123abcd-" + id, Revision: revision, Final: final,
		Key: protocol.List[protocol.KeyMove]{{Position: protocol.PositionOn, AtNS: 1e9}},
		Slots: protocol.List[protocol.CycleSlot]{{Slot: "f18", Legend: "Left <lamp>", Behaviour: behaviour, StaysOnS: &stays, Leads: protocol.List[protocol.CycleLead]{{Lead: "l-1",
			Transitions: protocol.List[protocol.Transition]{{ID: "l-1-1", Edge: protocol.Edge{State: protocol.Live, AtNS: 1.5e9, NotBeforeNS: 1.4e9, NotAfterNS: 1.6e9, UUS: 12}}},
			Crank:       protocol.List[protocol.Crank]{{ID: "k", CrankDetail: protocol.CrankDetail{Sag: &protocol.Sag{MinV: 8.25}}}}}}}}}
	if final {
		c.Ended = protocol.EndedSettled
	}
	return c
}

// Of a cycle the highest revision counts, in whatever order they come; history is
// found by slot and behaviour, page by page; the views show what a spreadsheet wants.
func TestHistoryOfCycles(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := context.Background()
		add(t, s, encode(t, cycle(2, "1", 2, true, protocol.Permanent)))
		add(t, s, encode(t, cycle(1, "1", 1, false, protocol.NotProven))) // later, older
		for i := range int64(7) {
			add(t, s, encode(t, cycle(3+i, fmt.Sprint(10+i), 1, true, protocol.Accessory)))
		}
		c, err := s.Cycle(ctx, "bench-1", "0123abcd-1")
		if err != nil || c.Revision != 2 || c.Slots[0].Behaviour != protocol.Permanent {
			t.Fatalf("%v, %+v", err, c)
		}
		if _, err := s.Cycle(ctx, "bench-1", "0123abcd-99"); !errors.Is(err, ErrNone) {
			t.Errorf("a cycle that is not there: %v", err)
		}
		ids := func(f Filter) (out []string) {
			all, err := s.Cycles(ctx, f)
			if err != nil {
				t.Fatal(err)
			}
			for _, c := range all {
				out = append(out, strings.TrimPrefix(c.ID, "0123abcd-"))
			}
			return out
		}
		if got := ids(Filter{Behaviour: protocol.Permanent}); !slices.Equal(got, []string{"1"}) {
			t.Errorf("permanent: %v", got)
		}
		if got := ids(Filter{Slot: "f18", Behaviour: protocol.Accessory, Bench: "bench-1"}); len(got) != 7 || got[0] != "16" {
			t.Errorf("accessory: %v", got)
		}
		if got := ids(Filter{Slot: "f19"}); len(got) != 0 {
			t.Errorf("a slot that is nowhere: %v", got)
		}
		if _, err := s.Cycles(ctx, Filter{Before: CycleRef{"bench-1", "none"}}); !errors.Is(err, ErrNone) {
			t.Errorf("after a cycle that is not there: %v", err)
		}
		var paged []string
		f := Filter{Limit: 3}
		for {
			got := ids(f)
			if len(got) == 0 {
				break
			}
			paged = append(paged, got...)
			f.Before = CycleRef{"bench-1", "0123abcd-" + got[len(got)-1]}
		}
		if !slices.Equal(paged, []string{"16", "15", "14", "13", "12", "11", "10", "1"}) {
			t.Errorf("page by page: %v", paged)
		}
		var legend string
		var stays, lowest, after float64
		if err := s.db.QueryRow("SELECT legend, stays_on_s, lowest_v FROM slots WHERE cycle=$1", "0123abcd-1").Scan(&legend, &stays, &lowest); err != nil || legend != "Left <lamp>" || stays != 240 || lowest != 8.25 {
			t.Errorf("slots: %v, %q, %g, %g", err, legend, stays, lowest)
		}
		if err := s.db.QueryRow("SELECT after_key_on_s FROM transitions WHERE cycle=$1", "0123abcd-1").Scan(&after); err != nil || after != 0.5 {
			t.Errorf("transitions: %v, %g", err, after)
		}
	})
}

// A key cycle that is open is found by what its slots do so far, whichever of its
// revisions somebody looked at before; so it stands in the views.
func TestOpenCyclesAreFound(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		found := func(b protocol.Behaviour) int {
			t.Helper()
			all, err := s.Cycles(context.Background(), Filter{Slot: "f18", Behaviour: b})
			if err != nil {
				t.Fatal(err)
			}
			return len(all)
		}
		add(t, s, encode(t, cycle(1, "1", 1, false, protocol.NotProven)), encode(t, cycle(2, "2", 1, false, protocol.NotProven)))
		if n := found(protocol.NotProven); n != 2 {
			t.Errorf("%d open cycles are found, want 2", n)
		}
		add(t, s, encode(t, cycle(3, "1", 2, false, protocol.Accessory)), encode(t, cycle(4, "1", 3, false, protocol.Ignition)))
		if got := []int{found(protocol.NotProven), found(protocol.Accessory), found(protocol.Ignition)}; !slices.Equal(got, []int{1, 0, 1}) {
			t.Errorf("after two more revisions of one: %v", got)
		}
		add(t, s, encode(t, cycle(5, "1", 4, false, protocol.Accessory)), encode(t, cycle(6, "1", 5, true, protocol.Permanent)))
		if got := []int{found(protocol.Accessory), found(protocol.Ignition), found(protocol.Permanent)}; !slices.Equal(got, []int{0, 0, 1}) {
			t.Errorf("after it became final: %v", got)
		}
		add(t, s, encode(t, cycle(7, "3", 1, false, protocol.Accessory)))
		var out strings.Builder
		if err := s.ExportCSV(context.Background(), &out, "slots"); err != nil || strings.Count(out.String(), "\n") != 4 {
			t.Errorf("%v\n%s", err, out.String())
		}
	})
}

// What is no sound result is refused by name, and keeps nothing else out.
func TestHostileDocumentsAreRefused(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		deep := []byte(strings.Repeat(`{"a":`, 5000) + "1" + strings.Repeat("}", 5000))
		a := add(t, s, []byte("{"), []byte(`{"version":"keyturn/1","kind":"now"}`), deep, []byte(strings.Repeat("x", protocol.MaxDocumentBytes+1)),
			[]byte("\xff\xfe"), encode(t, &protocol.Receipt{Header: head("s", 1).Header, Keeper: "k", Stream: "s", UpToSeq: 1}), fault(t, "s", 1),
			[]byte(strings.Replace(string(fault(t, "s", 2)), `"test"`, `"nul \u0000 and 'quotes'; DROP TABLE result"`, 1)))
		if a.New != 2 || len(a.Refused) != 6 {
			t.Errorf("%+v", a)
		}
		if got, _ := upTo(t, s, "s"); got < 1 {
			t.Errorf("complete up to %d", got)
		}
	})
}

// Two record keepers of one database, and many writers of one, keep each result once.
func TestManyWriters(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		var wg sync.WaitGroup
		var mu sync.Mutex
		fresh := 0
		for w := range 4 {
			wg.Go(func() {
				for seq := int64(1); seq <= 60; seq++ {
					a, err := s.Add(context.Background(), fault(t, "s", seq), fault(t, fmt.Sprintf("w-%d", w), seq))
					if err != nil {
						t.Error(err)
						return
					}
					mu.Lock()
					fresh += a.New
					mu.Unlock()
				}
			})
		}
		wg.Wait()
		if got, last := upTo(t, s, "s"); fresh != 60+4*60 || got != 60 || last != 60 {
			t.Errorf("%d new, complete up to %d of %d", fresh, got, last)
		}
	})
}

// The records of a later program are not touched.
func TestLaterRecordsAreLeftAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "records.db")
	s, err := Open(context.Background(), Options{URL: path})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.db.Exec("INSERT INTO schema_version VALUES (99)"); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(context.Background(), Options{URL: path}); err == nil || !strings.Contains(err.Error(), "later program") {
		t.Errorf("%v", err)
	}
}
