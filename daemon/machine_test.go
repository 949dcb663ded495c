package daemon_test

import (
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"
)

// machine measures by how much the machine itself is late, beside what is tested: how
// long a disk takes to have one byte, from the moment it was to be written. Where others
// keep processors and disk busy, nothing of ours can be in time.
type machine struct {
	mu    sync.Mutex
	looks []look
}

// look is one try.
type look struct {
	due  time.Time
	took time.Duration // 0: not done yet
}

const (
	lookEvery = 25 * time.Millisecond
	// lookBack is how long before an instant lateness still matters to it.
	lookBack = 2 * time.Second
)

func watchMachine(t *testing.T) *machine {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "byte"))
	if err != nil {
		t.Fatal(err)
	}
	m := &machine{}
	stop, done := make(chan struct{}), make(chan struct{})
	t.Cleanup(func() {
		close(stop)
		<-done
		f.Close()
	})
	go func() {
		defer close(done)
		for due := time.Now(); ; due = due.Add(lookEvery) {
			select {
			case <-time.After(time.Until(due)):
			case <-stop:
				return
			}
			m.mu.Lock()
			m.looks = append(m.looks, look{due: due})
			n := len(m.looks) - 1
			m.mu.Unlock()
			_, err := f.WriteAt([]byte{1}, 0)
			if err == nil {
				err = f.Sync()
			}
			if err != nil {
				t.Error(err)
				return
			}
			m.mu.Lock()
			m.looks[n].took = time.Since(due)
			m.mu.Unlock()
			due = maxTime(due, time.Now())
		}
	}()
	return m
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// late returns by how much the machine was late around an instant.
func (m *machine) late(at time.Time) (most time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, l := range m.looks {
		took := l.took
		if took == 0 {
			took = at.Sub(l.due)
		}
		if l.due.Before(at) && l.due.Add(took).After(at.Add(-lookBack)) {
			most = max(most, took)
		}
	}
	return most
}
