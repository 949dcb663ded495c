package outbox

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"keyturn/protocol"
)

// childPath is the environment variable that makes the test binary a process that
// fills the store it names, until it is killed.
const childPath = "KEYTURN_TEST_STORE"

func TestMain(m *testing.M) {
	if path := os.Getenv(childPath); path != "" {
		fill(path)
	}
	os.Exit(m.Run())
}

// fill puts results and says what is on the disk: stream and latest number.
func fill(path string) {
	s, notice, err := OpenStore(StoreOptions{Path: path})
	if err != nil || notice.SetAside != "" {
		fmt.Println("trouble", err, notice)
		os.Exit(1)
	}
	for i := 0; ; i++ {
		for s.Counts().Queued > queueMax/2 {
			<-s.More()
		}
		if err := s.Put(context.Background(), result(i)); err != nil {
			fmt.Println("trouble", err)
			os.Exit(1)
		}
		if i%16 == 0 {
			fmt.Println("stored", s.Stream(), s.Counts().Last)
		}
	}
}

// A process that is killed at any instant loses nothing that it called stored,
// gives no number twice and leaves a sound file.
func TestKillLosesNothingStored(t *testing.T) {
	const kills = 50
	path := filepath.Join(t.TempDir(), "results.db")
	rng := rand.New(rand.NewPCG(9, 9))
	stream, last := "", int64(0)
	for kill := range kills {
		c := exec.Command(os.Args[0])
		c.Env = append(os.Environ(), childPath+"="+path)
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for n, stop := 0, 2+rng.IntN(60); lines.Scan(); n++ {
			f := strings.Fields(lines.Text())
			if f[0] != "stored" {
				t.Fatalf("kill %d: %s", kill, lines.Text())
			}
			seq, err := strconv.ParseInt(f[2], 10, 64)
			if err != nil || (stream != "" && f[1] != stream) || seq < last {
				t.Fatalf("kill %d: %s after %d of %s: %v", kill, lines.Text(), last, stream, err)
			}
			stream, last = f[1], seq
			if n == stop {
				if err := c.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
		}
		_ = c.Wait() // it was killed
		s, notice, err := OpenStore(StoreOptions{Path: path})
		if err != nil || notice.SetAside != "" {
			t.Fatalf("kill %d: %v, %+v", kill, err, notice)
		}
		if now := s.Counts().Last; now < last || s.Stream() != stream {
			t.Fatalf("kill %d: %d results of %s, there were %d of %s", kill, now, s.Stream(), last, stream)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	s := storeAt(t, StoreOptions{Path: path})
	n := checkNumbers(t, s, 0)
	t.Logf("%d kills, %d results, none lost", kills, n)
	if int64(n) != s.Counts().Last || n < kills*10 {
		t.Errorf("%d results, numbered up to %d", n, s.Counts().Last)
	}
}

// A cycle that a restart cut short is found once, as its latest revision; a final
// one is not.
func TestOpenCyclesAreFound(t *testing.T) {
	s := storeAt(t, StoreOptions{Path: filepath.Join(t.TempDir(), "results.db")})
	cycle := func(id string, revision int, final bool) {
		head := *result(0).ResultHead()
		c := &protocol.Cycle{ResultHeader: head, Subject: protocol.Vehicle, ID: id, Revision: revision, Final: final}
		if final {
			c.Ended = protocol.EndedSettled
		}
		if err := s.Put(context.Background(), c); err != nil {
			t.Fatal(err)
		}
	}
	cycle("0123abcd-1", 1, false)
	cycle("0123abcd-1", 2, true)
	cycle("0123abcd-2", 1, false)
	cycle("0123abcd-2", 2, false)
	until(t, s, "on disk", func(c Counts) bool { return c.Last == 4 })
	open, err := s.OpenCycles()
	if err != nil || len(open) != 1 || open[0].ID != "0123abcd-2" || open[0].Revision != 2 {
		t.Fatalf("%v, %+v", err, open)
	}
	open[0].Revision++
	open[0].Final, open[0].Ended = true, protocol.EndedInterrupted
	if err := s.Put(context.Background(), open[0]); err != nil {
		t.Fatal(err)
	}
	until(t, s, "on disk", func(c Counts) bool { return c.Last == 5 })
	if open, err := s.OpenCycles(); err != nil || len(open) != 0 {
		t.Errorf("%v, %d still open", err, len(open))
	}
}
