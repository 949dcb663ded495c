package dashboard

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"keyturn/protocol"
)

const (
	// beatEvery is how often a stream says that it is still there.
	beatEvery = 15 * time.Second
	// streamLeast is the least time between two updates of a page; people do not read
	// faster, and a bench says no more.
	streamLeast = 500 * time.Millisecond
	// streamWrite is how long a client may take to read what it is sent.
	streamWrite = 20 * time.Second
)

// update is what a page is told of a bench. The script writes its texts as texts.
type update struct {
	Bench    string      `json:"bench"`
	Form     string      `json:"form"`
	AgeMS    int64       `json:"age_ms"` // -1: not known
	Hold     string      `json:"hold"`
	Presence [2]string   `json:"presence"` // shape, word
	Key      string      `json:"key"`
	KeyFrom  string      `json:"key_from"`
	Step     int         `json:"step"` // on the rail; -1: none
	Battery  string      `json:"battery"`
	Refusing string      `json:"refusing"`
	Open     string      `json:"open"`
	Last     string      `json:"last"`
	Revision int         `json:"revision"` // of the last
	Slots    [][4]string `json:"slots"`    // shape, word, volts, why
}

func (v *benchView) update() update {
	u := update{v.ID, v.Form, v.AgeMS(), v.Hold, [2]string{v.Presence.Shape, v.Presence.Word}, v.Key, v.KeyFrom, -1, v.Battery, v.Refusing, v.Open, v.Last, v.revision, [][4]string{}}
	for i, s := range v.Steps {
		if s.Here {
			u.Step = i
		}
	}
	for _, s := range v.Slots {
		u.Slots = append(u.Slots, [4]string{s.Shape, s.Word, s.Volts, s.Why})
	}
	return u
}

// events keeps a page up to date. Every update is the latest state of a bench, whole:
// a client that was slow or away lacks nothing once it has the next.
func (d *dashboard) events(w http.ResponseWriter, r *http.Request) {
	only := r.URL.Query().Get("bench")
	if only != "" && protocol.CheckID(only) != nil {
		http.Error(w, "That is no bench's name.", http.StatusBadRequest)
		return
	}
	if r.Method == http.MethodHead {
		return
	}
	select {
	case d.streaming <- struct{}{}:
		defer func() { <-d.streaming }()
	default:
		w.Header().Set("Retry-After", "30")
		http.Error(w, "Too many pages are being kept up to date; reload this one to see it anew.", http.StatusServiceUnavailable)
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no") // for a proxy that would collect it
	s := stream{w: w, c: http.NewResponseController(w), state: d.o.State, only: only, version: d.seen(r)}
	wake, stop := d.o.State.watch()
	defer stop()
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	if s.begin() != nil || s.send() != nil {
		return
	}
	pause := time.NewTimer(streamLeast)
	defer pause.Stop()
	var changed <-chan struct{} // wake, once the pause is over
	for {
		var err error
		select {
		case <-r.Context().Done():
			return
		case <-d.o.Done:
			return
		case <-beat.C:
			err = s.beat()
		case <-pause.C:
			changed = wake
		case <-changed:
			changed = nil
			err = s.send()
			pause.Reset(streamLeast)
		}
		if err != nil {
			return // it has gone, or does not read
		}
	}
}

// seen is the version that a page has: by its own address at first, by Last-Event-ID
// after a break. Those of an earlier run of the server say nothing.
func (d *dashboard) seen(r *http.Request) uint64 {
	id := r.Header.Get("Last-Event-ID")
	if id == "" {
		id = r.URL.Query().Get("seen")
	}
	epoch, n, _ := strings.Cut(id, "-")
	v, err := strconv.ParseUint(n, 10, 64)
	if err != nil || epoch != d.o.State.epoch {
		return 0
	}
	return v
}

// stream is one client's.
type stream struct {
	w       http.ResponseWriter
	c       *http.ResponseController
	state   *State
	only    string // one bench; empty: all
	version uint64
}

// begin tells the browser after how long to come again when the stream breaks.
func (s *stream) begin() error { return s.put("retry: 3000\n\n") }

// beat shows a page that nothing is new rather than lost: the script waits for it.
func (s *stream) beat() error { return s.put("event: beat\ndata: {}\n\n") }

// send sends every bench that changed since the last time. The id comes with the last
// of them: who lost half of it gets it again.
func (s *stream) send() error {
	all, version := s.state.since(s.version)
	var b strings.Builder
	now := time.Now()
	for i := range all {
		if s.only != "" && all[i].id != s.only {
			continue
		}
		v := all[i].view(now)
		text, err := json.Marshal(v.update())
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, "event: bench\ndata: %s\n\n", text)
	}
	s.version = version
	if b.Len() == 0 {
		return nil
	}
	return s.put(b.String() + fmt.Sprintf("id: %s-%d\nevent: beat\ndata: {}\n\n", s.state.epoch, version))
}

func (s *stream) put(text string) error {
	// The server's own limit is for pages; a stream has one for each piece.
	if err := s.c.SetWriteDeadline(time.Now().Add(streamWrite)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := s.w.Write([]byte(text)); err != nil {
		return err
	}
	return s.c.Flush()
}
