package outbox

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"keyturn/protocol"
)

func storeAt(t *testing.T, o StoreOptions) *Store {
	t.Helper()
	s, notice, err := OpenStore(o)
	if err != nil || notice.SetAside != "" {
		t.Fatalf("open: %v, %+v", err, notice)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// until waits for the writer to make something true.
func until(t *testing.T, s *Store, what string, is func(Counts) bool) {
	t.Helper()
	deadline := time.After(20 * time.Second)
	look := time.NewTicker(2 * time.Millisecond)
	defer look.Stop()
	for !is(s.Counts()) {
		select {
		case <-deadline:
			t.Fatalf("never %s: %+v", what, s.Counts())
		case <-look.C:
		}
	}
}

func put(t *testing.T, s *Store, from, n int) {
	t.Helper()
	for i := range n {
		if err := s.Put(context.Background(), result(from+i)); err != nil {
			t.Fatal(err)
		}
	}
}

// checkNumbers reads a store's results and holds them to their own numbers; holes
// must be explained.
func checkNumbers(t *testing.T, s *Store, after int64) (n int) {
	t.Helper()
	next := after + 1
	for {
		entries := s.Next(next-1, 100)
		if len(entries) == 0 {
			return n
		}
		for _, e := range entries {
			var d struct {
				Stream         string
				Seq            int64
				Kind           string
				FromSeq, ToSeq int64
			}
			if err := json.Unmarshal(bytes.ReplaceAll(e.Payload, []byte("_seq"), []byte("seq")), &d); err != nil {
				t.Fatal(err)
			}
			if d.Stream != s.Stream() || d.Seq != e.Seq {
				t.Fatalf("result %d of %s says %d of %s", e.Seq, s.Stream(), d.Seq, d.Stream)
			}
			if e.Seq != next && !(e.Message.Name == "result/gap" && d.FromSeq == next && d.ToSeq == e.Seq-1) {
				t.Fatalf("result %d after %d without a gap: %s", e.Seq, next-1, e.Payload)
			}
			next = e.Seq + 1
			n++
		}
	}
}

func TestStoreSurvivesItsProcess(t *testing.T) {
	path := filepath.Join(t.TempDir(), "results.db")
	stream := ""
	for round := range 5 {
		s, notice, err := OpenStore(StoreOptions{Path: path})
		if err != nil || notice.SetAside != "" {
			t.Fatal(err, notice)
		}
		if stream == "" {
			stream = s.Stream()
		}
		if s.Stream() != stream || s.Counts().Last != int64(100*round) || s.Counts().Acked != int64(max(0, 100*round-7)) {
			t.Fatalf("round %d: stream %s, %+v", round, s.Stream(), s.Counts())
		}
		put(t, s, 100*round, 100)
		until(t, s, "all on disk", func(c Counts) bool { return c.Last == int64(100*(round+1)) })
		s.Acked(int64(100*(round+1) - 7))
		if n := checkNumbers(t, s, 0); n != 100*(round+1) {
			t.Fatalf("round %d: %d results", round, n)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if err := s.Put(context.Background(), result(1)); err == nil {
			t.Error("a closed store took a result")
		}
	}
}

// A queue that overflows says so in the results themselves, and no number is
// given twice.
func TestOverflowIsAStoredGap(t *testing.T) {
	s := storeAt(t, StoreOptions{Path: filepath.Join(t.TempDir(), "results.db")})
	put(t, s, 0, 5*queueMax)
	dropped := s.Counts().Dropped
	// Each result has a number, kept or not, and so has each gap.
	until(t, s, "all numbered", func(c Counts) bool { return c.Last > 5*queueMax })
	n := checkNumbers(t, s, 0)
	gaps := int(s.Counts().Last) - 5*queueMax
	t.Logf("%d kept, %d dropped, %d gaps", n, dropped, gaps)
	if dropped == 0 || gaps < 1 || n != 5*queueMax-int(dropped)+gaps {
		t.Errorf("%d kept, %d dropped of %d, %d gaps", n, dropped, 5*queueMax, gaps)
	}
}

// A full disk loses nothing that is stored, and nothing that waits once there is
// room again; meanwhile the store says what is wrong.
func TestFullDisk(t *testing.T) {
	path := filepath.Join(t.TempDir(), "results.db")
	s := storeAt(t, StoreOptions{Path: path, pragmas: "&_pragma=max_page_count(40)"})
	put(t, s, 0, 900)
	until(t, s, "in trouble", func(c Counts) bool { return strings.Contains(c.Trouble, "full") })
	kept := s.Counts().Last
	if n := checkNumbers(t, s, 0); n != int(kept) || n == 0 {
		t.Fatalf("%d of %d kept results can be read", n, kept)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = storeAt(t, StoreOptions{Path: path})
	if now := s.Counts().Last; now < kept {
		t.Fatalf("%d results of %d are left", now, kept)
	} else {
		kept = now
	}
	put(t, s, 900, 10)
	until(t, s, "writing again", func(c Counts) bool { return c.Last == kept+10 && c.Trouble == "" })
	checkNumbers(t, s, 0)
}

// A store at its limit keeps what is not delivered; what is may go.
func TestFullStoreKeepsWhatIsNotDelivered(t *testing.T) {
	s := storeAt(t, StoreOptions{Path: filepath.Join(t.TempDir(), "results.db"), MaxBytes: 40_000, Keepers: []string{"shop"}})
	put(t, s, 0, 400)
	until(t, s, "full", func(c Counts) bool { return strings.Contains(c.Trouble, "store is full") })
	last := s.Counts().Last
	s.Acked(last)
	if n := checkNumbers(t, s, 0); n != int(last) {
		t.Fatalf("%d of %d kept", n, last)
	}
	if err := s.Receipt("shop", last+1); err == nil {
		t.Error("a receipt for what does not exist was taken")
	}
	if err := s.Receipt("shop", last-5); err != nil {
		t.Fatal(err)
	}
	until(t, s, "room again", func(c Counts) bool { return c.Last > last })
	if first := s.Next(0, 1); len(first) != 1 || first[0].Seq != last-4 && first[0].Seq > last-4 {
		t.Errorf("what the keeper has not stored is gone: first is %+v", first)
	}
}

// Old results go once they are delivered, young ones stay.
func TestRetention(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	mono := time.Duration(0)
	s := storeAt(t, StoreOptions{Path: filepath.Join(t.TempDir(), "results.db"), KeepFor: time.Hour, Now: func() (time.Time, bool) { return now, true },
		elapsed: func() time.Duration { return mono }})
	put(t, s, 0, 50)
	until(t, s, "on disk", func(c Counts) bool { return c.Last == 50 })
	s.Acked(30)
	s.tidy(false)
	now, mono = now.Add(2*time.Hour), mono+2*time.Hour
	s.tidy(false)
	if first := s.Next(0, 1); len(first) != 1 || first[0].Seq != 31 {
		t.Errorf("first kept %+v, want 31: the rest is not delivered", first)
	}
	if c := s.Counts(); c.KeptFrom != 31 || c.Delivered != 30 {
		t.Errorf("kept from %d, delivered up to %d, want 31 and 30", c.KeptFrom, c.Delivered)
	}
	if e, err := s.Range(40, 42, 10); err != nil || len(e) != 3 || e[0].Seq != 40 {
		t.Errorf("range: %v, %d results", err, len(e))
	}
}

// A record keeper that comes late waits for nothing that is gone: it begins with what
// is kept.
func TestANewKeeperBeginsWithWhatIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "results.db")
	s := storeAt(t, StoreOptions{Path: path})
	put(t, s, 0, 20)
	until(t, s, "on disk", func(c Counts) bool { return c.Last == 20 })
	if _, err := s.db.Exec("DELETE FROM result WHERE seq <= 8"); err != nil {
		t.Fatal(err)
	}
	s.Acked(20)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = storeAt(t, StoreOptions{Path: path, Keepers: []string{"new", "old"}})
	if c := s.Counts(); c.KeptFrom != 9 || c.Delivered != 8 || c.Acked != 20 {
		t.Errorf("%+v, want it kept from 9", c)
	}
	for keeper, seq := range map[string]int64{"new": 12, "old": 20} {
		if err := s.Receipt(keeper, seq); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = storeAt(t, StoreOptions{Path: path, Keepers: []string{"new", "old"}})
	if c := s.Counts(); c.Delivered != 12 {
		t.Errorf("after a restart %d are delivered, want 12", c.Delivered)
	}
}

// What was stored while the clock was not known goes with its neighbours: what is kept
// has no hole, and a fresh boot without a clock loses nothing.
func TestRetentionLeavesNoHole(t *testing.T) {
	now, known, mono := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), false, time.Duration(0)
	s := storeAt(t, StoreOptions{Path: filepath.Join(t.TempDir(), "results.db"), KeepFor: time.Hour, Now: func() (time.Time, bool) { return now, known },
		elapsed: func() time.Duration { return mono }})
	n := int64(0)
	add := func(count int, clock bool) {
		known = clock
		put(t, s, int(n), count)
		n += int64(count)
		until(t, s, "on disk", func(c Counts) bool { return c.Last == n && c.Queued == 0 })
	}
	add(3, false)
	add(20, true)
	s.Acked(n)
	s.tidy(false)
	now, mono = now.Add(2*time.Hour), mono+2*time.Hour
	add(4, false) // another boot, its clock not set yet
	s.Acked(n)
	known = true
	s.tidy(false)
	if c := s.Counts(); c.KeptFrom != 24 || checkNumbers(t, s, 23) != 4 {
		t.Errorf("kept from %d, want 24: %+v", c.KeptFrom, c)
	}
	add(5, true)
	s.Acked(n)
	s.tidy(false)
	if c := s.Counts(); c.KeptFrom != 24 {
		t.Errorf("kept from %d, want 24", c.KeptFrom)
	}
}

// Two programs would give the same numbers twice: the second is told that the first
// has the store.
func TestAStoreIsOneProgramsAtATime(t *testing.T) {
	path := filepath.Join(t.TempDir(), "results.db")
	s := storeAt(t, StoreOptions{Path: path})
	if _, _, err := OpenStore(StoreOptions{Path: path}); err == nil || !strings.Contains(err.Error(), "another program has it") {
		t.Fatalf("opened twice: %v", err)
	}
	put(t, s, 0, 3)
	until(t, s, "on disk", func(c Counts) bool { return c.Last == 3 })
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	storeAt(t, StoreOptions{Path: path})
}

// A store that a later program made is neither read nor set aside.
func TestALaterStoreIsLeftAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "results.db")
	s := storeAt(t, StoreOptions{Path: path})
	if _, err := s.db.Exec("PRAGMA user_version=99"); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, notice, err := OpenStore(StoreOptions{Path: path}); err == nil || !strings.Contains(err.Error(), "later") || notice.SetAside != "" {
		t.Errorf("%v, %+v", err, notice)
	}
}

// Who only looks sets nothing aside.
func TestUnsoundStoreIsLeftToTheDaemon(t *testing.T) {
	path := filepath.Join(t.TempDir(), "results.db")
	if err := os.WriteFile(path, bytes.Repeat([]byte("no store "), 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, notice, err := OpenStore(StoreOptions{Path: path, LeaveUnsound: true}); err == nil || notice.SetAside != "" {
		t.Errorf("%v, %+v", err, notice)
	}
	if text, err := os.ReadFile(path); err != nil || !bytes.HasPrefix(text, []byte("no store")) {
		t.Errorf("the file was touched: %v", err)
	}
}

// On a disk without room, what is delivered makes it.
func TestFullDiskLetsGoOfWhatIsDelivered(t *testing.T) {
	s := storeAt(t, StoreOptions{Path: filepath.Join(t.TempDir(), "results.db"), pragmas: "&_pragma=max_page_count(40)"})
	put(t, s, 0, 900)
	until(t, s, "in trouble", func(c Counts) bool { return strings.Contains(c.Trouble, "make room there") })
	if c := s.Counts(); strings.Contains(c.Trouble, "\n") || !strings.Contains(c.Trouble, s.o.Path) {
		t.Errorf("trouble %q", c.Trouble)
	}
	last := s.Counts().Last
	s.Acked(last)
	until(t, s, "writing again", func(c Counts) bool { return c.Last > last })
	if c := s.Counts(); c.KeptFrom == 1 {
		t.Errorf("nothing was let go: %+v", c)
	}
}

// A result that is no sound document leaves its place to one that says so.
func TestAnUnwritableResultIsTold(t *testing.T) {
	s := storeAt(t, StoreOptions{Path: filepath.Join(t.TempDir(), "results.db")})
	bad := result(0)
	if err := s.Put(t.Context(), &protocol.Gap{ResultHeader: bad.ResultHeader, FromSeq: 9, ToSeq: 3}); err != nil {
		t.Fatal(err)
	}
	put(t, s, 1, 1)
	until(t, s, "on disk", func(c Counts) bool { return c.Last == 2 })
	if e := s.Next(0, 2); len(e) != 2 || e[0].Message.Kind != protocol.KindBenchFault || !bytes.Contains(e[0].Payload, []byte("result/gap could not be written")) {
		t.Errorf("%d entries, the first %s", len(e), e[0].Payload)
	}
}

// A wall clock that is set by an hour or by ten years, forth or back, deletes
// nothing; once it has gone on for a day, ages count again.
func TestAClockStepDeletesNothing(t *testing.T) {
	for _, step := range []time.Duration{90 * time.Minute, -90 * time.Minute, 10 * 365 * 24 * time.Hour} {
		now, mono := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), time.Duration(0)
		s := storeAt(t, StoreOptions{Path: filepath.Join(t.TempDir(), "results.db"), KeepFor: time.Hour, Now: func() (time.Time, bool) { return now, true },
			elapsed: func() time.Duration { return mono }})
		put(t, s, 0, 50)
		until(t, s, "on disk", func(c Counts) bool { return c.Last == 50 })
		s.Acked(50)
		s.tidy(false)
		now, mono = now.Add(step+time.Minute), mono+time.Minute
		s.tidy(false)
		if n := checkNumbers(t, s, 0); n != 50 {
			t.Errorf("a step of %v: %d of 50 results are left", step, n)
		}
		now, mono = now.Add(25*time.Hour), mono+25*time.Hour
		s.tidy(false)
		if n := len(s.Next(0, 100)); n != 0 {
			t.Errorf("a step of %v and a day: %d delivered results are left, want none", step, n)
		}
	}
}

// A commit that failed, but was done all the same, is not done twice.
func TestADoubtfulCommitIsNotRepeated(t *testing.T) {
	s := storeAt(t, StoreOptions{Path: filepath.Join(t.TempDir(), "results.db")})
	put(t, s, 0, 10)
	until(t, s, "on disk", func(c Counts) bool { return c.Last == 10 })
	if err := s.Close(); err != nil { // the writer is at rest
		t.Fatal(err)
	}
	var err error
	if s.db, err = openDB(s.o.Path, ""); err != nil {
		t.Fatal(err)
	}
	defer s.db.Close()
	batch := []protocol.Result{result(10), result(11)}
	if err := s.try(batch, false); err != nil {
		t.Fatal(err)
	}
	s.counts.Last, s.doubt, s.doubtful = 10, 12, batch // as if the commit had reported a failure
	if err := s.try(batch, false); err != nil || s.counts.Last != 12 || len(s.Next(10, 9)) != 2 {
		t.Errorf("done: %v, last %d, %d results", err, s.counts.Last, len(s.Next(10, 9)))
	}
	s.counts.Last, s.doubt, s.doubtful = 10, 12, batch // it was given up, and another comes
	if err := s.try([]protocol.Result{result(12)}, false); err != nil || s.counts.Last != 13 || len(s.Next(10, 9)) != 3 {
		t.Errorf("another batch: %v, last %d, %d results", err, s.counts.Last, len(s.Next(10, 9)))
	}
	s.doubt, s.doubtful = 15, batch // this one was not done
	if err := s.try(batch, false); err != nil || s.counts.Last != 15 || len(s.Next(10, 9)) != 5 {
		t.Errorf("not done: %v, last %d, %d results", err, s.counts.Last, len(s.Next(10, 9)))
	}
}

// A store whose folder is read-only is not opened, and says so; nothing is set aside.
func TestReadOnlyDiskIsAnError(t *testing.T) {
	path := filepath.Join(t.TempDir(), "results.db")
	s := storeAt(t, StoreOptions{Path: path})
	put(t, s, 0, 5)
	until(t, s, "on disk", func(c Counts) bool { return c.Last == 5 })
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	// SQLite's own read-only mode: file permissions do not bind the superuser.
	_, notice, err := OpenStore(StoreOptions{Path: path, pragmas: "&mode=ro"})
	if err == nil || notice.SetAside != "" {
		t.Fatalf("%v, %+v", err, notice)
	}
	t.Log(err)
	if s := storeAt(t, StoreOptions{Path: path}); s.Counts().Last != 5 {
		t.Errorf("%d results are left, want 5", s.Counts().Last)
	}
}

// A file that is no sound store is set aside whole; a new one begins with a
// stream of its own.
func TestUnsoundStoreIsSetAside(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "results.db")
	s, _, err := OpenStore(StoreOptions{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	put(t, s, 0, 2000)
	until(t, s, "on disk", func(c Counts) bool { return c.Queued == 0 && c.Last >= 1024 })
	stream := s.Stream()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	sound, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for n, spoil := range []func([]byte) []byte{
		func(b []byte) []byte { return []byte("this is no database at all, it never was one") },
		func(b []byte) []byte { // pages overwritten
			rng := rand.New(rand.NewPCG(1, 1))
			for i := 4096; i < len(b)-4096; i += 4096 {
				for k := range 200 {
					b[i+k] = byte(rng.Uint32())
				}
			}
			return b
		},
	} {
		if err := os.WriteFile(path, spoil(bytes.Clone(sound)), 0o600); err != nil {
			t.Fatal(err)
		}
		s, notice, err := OpenStore(StoreOptions{Path: path})
		if err != nil || notice.SetAside != fmt.Sprintf("%s.unsound-%d", path, n+1) || notice.Why == "" {
			t.Fatalf("open %d: %v, %+v", n, err, notice)
		}
		if s.Stream() == stream || s.Counts().Last != 0 {
			t.Errorf("the new store goes on as %s from %d", s.Stream(), s.Counts().Last)
		}
		if _, err := os.Stat(notice.SetAside); err != nil {
			t.Error(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// BenchmarkStore reports what a result costs the disk.
func BenchmarkStore(b *testing.B) {
	path := filepath.Join(b.TempDir(), "results.db")
	s, _, err := OpenStore(StoreOptions{Path: path})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	n := int64(0)
	for b.Loop() {
		for s.Counts().Queued > queueMax/2 {
			<-s.More()
		}
		if err := s.Put(context.Background(), result(int(n))); err != nil {
			b.Fatal(err)
		}
		n++
	}
}
