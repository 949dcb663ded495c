package dashboard

import (
	"crypto/rand"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

// benchesMax bounds what State keeps: ten times the largest shop thought of.
const benchesMax = 1000

// State is the latest that each bench has said. It is safe for many goroutines.
type State struct {
	root  string
	epoch string // tells this State's versions from an earlier one's

	mu      sync.Mutex
	version uint64 // counts accepted documents
	refused uint64
	benches map[string]*heard
	wake    map[chan struct{}]string // whose waveform is wanted too; empty: nobody's

	strips      map[string]*strip
	stripLeads  int // in all of them
	stripsSwept time.Time
	wavesLost   uint64 // waveforms that were dropped
}

// heard is what was heard of one bench. Documents are never changed once here.
type heard struct {
	id       string
	version  uint64
	presence *protocol.Presence
	bench    *protocol.Bench
	now      *protocol.Now
	// nowAt is when now arrived; zero while the broker's kept one is all there is, for
	// nobody knows how old that is.
	nowAt  time.Time
	ghosts map[string]bool  // leads that are steady at a few volts
	cut    bool             // the broker cannot be heard
	shared *shared          // what every page shows of it alike
	moved  []string         // slots that moved last, the latest first
	last   records.CycleRef // the latest key cycle
	// lastRevision is that of the latest key cycle.
	lastRevision int
	checked      checked // before the key is turned
}

// NewState returns an empty State for benches under a topic root.
func NewState(root string) (*State, error) {
	if err := protocol.CheckRoot(root); err != nil {
		return nil, err
	}
	return &State{root: root, epoch: strings.ToLower(rand.Text()[:8]), benches: map[string]*heard{}, wake: map[chan struct{}]string{}, strips: map[string]*strip{}}, nil
}

// Take takes a document that was published. It waits for nobody; what is no document
// of ours is counted and dropped. One that the broker had kept tells what was last
// said, not when, so a bench stays stale until it speaks.
func (s *State) Take(topic string, payload []byte, retained bool) {
	bench, m, _, err := protocol.ParseTopic(s.root, topic)
	if err == nil && !shown(m) {
		return
	}
	var d protocol.Document
	if err == nil {
		d, err = protocol.Decode(payload)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	// A document under another's topic is nobody's word.
	if err != nil || d.Head().Bench != bench || protocol.MessageOf(d).Name != m.Name {
		s.refused++
		return
	}
	h := s.benches[bench]
	if w, ok := d.(*protocol.Waveform); ok {
		if !s.takeWaveform(h, w, time.Now()) {
			s.wavesLost++
			return
		}
		s.rouse(func(wave string) bool { return wave == bench })
		return
	}
	if h == nil {
		if len(s.benches) >= benchesMax {
			s.refused++
			return
		}
		h = &heard{id: bench}
	}
	if !h.take(d, retained) {
		return
	}
	s.benches[bench] = h
	s.changed(h)
}

// changed tells whoever watches that benches have changed.
func (s *State) changed(benches ...*heard) {
	s.version++
	for _, h := range benches {
		h.version, h.shared = s.version, &shared{}
	}
	s.rouse(func(string) bool { return true })
}

// rouse tells those who watch that something has changed.
func (s *State) rouse(who func(wave string) bool) {
	for c, wave := range s.wake { // each by itself
		if !who(wave) {
			continue
		}
		select {
		case c <- struct{}{}:
		default: // it has not looked since the last
		}
	}
}

// cut notes whether the broker can be heard. While it cannot, nobody knows what the
// benches do, however young their last word is.
func (s *State) cut(cut bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all []*heard
	for _, h := range s.benches { // in any order
		if h.cut != cut {
			h.cut = cut
			all = append(all, h)
		}
	}
	s.changed(all...)
}

// shown reports whether pages show anything of a message.
func shown(m protocol.Message) bool {
	switch m.Name {
	case "presence", "bench", "now", "waveform", "result/cycle":
		return true
	}
	return false
}

// take puts a document in its place; false if a later one is there already.
func (h *heard) take(d protocol.Document, retained bool) bool {
	switch d := d.(type) {
	case *protocol.Presence:
		// The will is as old as its connection: an equal instant counts as later.
		if h.presence != nil && h.presence.Boot == d.Boot && d.MonoNS < h.presence.MonoNS {
			return false
		}
		h.presence = d
	case *protocol.Bench:
		if h.bench != nil && !later(&d.Header, &h.bench.Header) {
			return false
		}
		h.bench = d
	case *protocol.Now:
		// One that the broker repeats must not make old data young.
		if h.now != nil && !later(&d.Header, &h.now.Header) {
			return false
		}
		h.forgetChecked(d)
		h.ghosts, h.moved = ghosts(h.now, d), moved(h.moved, h.now, d)
		h.now, h.nowAt = d, time.Now()
		if retained {
			h.nowAt = time.Time{}
		}
	case *protocol.Cycle:
		h.last, h.lastRevision = records.CycleRef{Bench: d.Bench, ID: d.ID}, d.Revision
	}
	return true
}

// later reports whether a document was made after another. Between two boots there
// is no telling; then the one that came last counts.
func later(d, than *protocol.Header) bool { return d.Boot != than.Boot || d.MonoNS > than.MonoNS }

// Below ghostLeastV, 0.06 of a battery, a dead slot is as good as dead (daemon/measure
// draws the line there too); ghostSteadyV is how far two
// documents may differ, as much as a bench lets pass without a new one.
const (
	ghostLeastV  = 0.75
	ghostSteadyV = 0.1
)

// ghosts lists the leads that read the same few volts in two documents, so that a
// feed on its way down is none.
func ghosts(before, now *protocol.Now) map[string]bool {
	if before == nil || before.Boot != now.Boot {
		return nil
	}
	was := map[string]float64{}
	for _, l := range before.Leads {
		if l.V != nil {
			was[l.Lead] = float64(*l.V)
		}
	}
	out := map[string]bool{}
	for _, l := range now.Leads {
		if v, ok := was[l.Lead]; ok && l.V != nil && float64(*l.V) >= ghostLeastV && math.Abs(float64(*l.V)-v) <= ghostSteadyV {
			out[l.Lead] = true
		}
	}
	return out
}

// movedMost is how many of the slots that moved last are known.
const movedMost = 3

// moved lists the slots that last went from live to no volts or back: one that is lost
// from sight has not moved.
func moved(before []string, was, now *protocol.Now) []string {
	if was == nil {
		return nil
	}
	state := map[string]protocol.State{}
	for _, x := range was.Slots {
		state[x.Slot] = x.State
	}
	known := func(x protocol.State) bool { return x == protocol.Live || x == protocol.Dead }
	var out []string
	for _, x := range now.Slots {
		if old := state[x.Slot]; old != x.State && known(old) && known(x.State) && len(out) < movedMost {
			out = append(out, x.Slot)
		}
	}
	for _, x := range before {
		if len(out) < movedMost && !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	return out
}

// watch returns a channel that holds a word once something has changed, and, of one
// bench, its waveform. It has room for one word: who is slow sees the latest state,
// not each on the way.
func (s *State) watch(wave string) (wake chan struct{}, stop func()) {
	wake = make(chan struct{}, 1)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wake[wake] = wave
	return wake, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.wake, wake)
	}
}

// since returns the benches that changed after a version, by id, and the version now.
func (s *State) since(version uint64) ([]heard, uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []heard
	for _, h := range s.benches { // sorted below
		if h.version > version {
			out = append(out, *h)
		}
	}
	slices.SortFunc(out, func(a, b heard) int { return strings.Compare(a.id, b.id) })
	return out, s.version
}

// one returns what was heard of one bench.
func (s *State) one(bench string) (h heard, version uint64, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	p, ok := s.benches[bench]
	if ok {
		h = *p
	}
	return h, s.version, ok
}

// WavesLost counts the waveforms that were dropped: of a bench that has not described
// itself, late, repeated, or of steps that cannot be.
func (s *State) WavesLost() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.wavesLost
}

// Refused counts what came in and was no document of ours, or one bench too many.
func (s *State) Refused() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.refused
}
