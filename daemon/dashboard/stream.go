package dashboard

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
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
// a client that was slow or away lacks nothing once it has the next. Who may no longer see
// it is told so at the next beat.
func (d *dashboard) events(w http.ResponseWriter, r *http.Request) {
	s := stream{w: w, c: http.NewResponseController(w), state: d.o.State, version: d.seen(r)}
	if why := s.wants(r.URL.Query()); why != "" {
		http.Error(w, why, http.StatusBadRequest)
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
	wake, stop := d.o.State.watch(s.waveOf())
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
			if d.o.Access != nil && !d.o.Access.Still(r, d.who(r)) {
				_ = s.ended() // it ends either way
				return
			}
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
	waves   []string // leads of that bench whose waveforms are wanted
	waved   uint64   // the step that comes next
	hand    string   // the lead in hand: then nothing else is wanted
}

// wants reads what a page asks for; it says why that cannot be.
func (s *stream) wants(q url.Values) (why string) {
	s.only, s.waves, s.hand = q.Get("bench"), q["wave"], q.Get("hand")
	switch {
	case s.only != "" && protocol.CheckID(s.only) != nil:
		return "That is no bench's name."
	case s.only == "" && (len(s.waves) > 0 || s.hand != ""):
		return "Name the bench whose leads are wanted."
	case len(s.waves) > wavesMost+1: // the battery's beside those drawn
		return fmt.Sprintf("At most %d waveforms are sent at once.", wavesMost+1)
	case s.hand != "" && protocol.CheckID(s.hand) != nil || slices.ContainsFunc(s.waves, func(l string) bool { return protocol.CheckID(l) != nil }):
		return "That is no lead's name."
	}
	return ""
}

// waveOf is the bench whose waveform is wanted; empty: nobody's.
func (s *stream) waveOf() string {
	if len(s.waves) == 0 && s.hand == "" {
		return ""
	}
	return s.only
}

// begin tells the browser after how long to come again when the stream breaks.
func (s *stream) begin() error { return s.put("retry: 3000\n\n") }

// beat shows a page that nothing is new rather than lost: the script waits for it.
func (s *stream) beat() error { return s.put("event: beat\ndata: {}\n\n") }

// ended lets a page ask again who looks at it.
func (s *stream) ended() error { return s.put("event: ended\ndata: {}\n\n") }

// send sends every bench that changed since the last time. The id comes with the last
// of them: who lost half of it gets it again.
func (s *stream) send() error {
	var b strings.Builder
	all, version := s.state.since(s.version)
	var err error
	if s.hand != "" {
		err = s.inHand(&b)
	} else {
		err = errors.Join(s.benches(&b, all), s.waveforms(&b))
	}
	if err != nil {
		return err
	}
	s.version = version
	if b.Len() == 0 {
		return nil
	}
	return s.put(b.String() + fmt.Sprintf("id: %s-%d\nevent: beat\ndata: {}\n\n", s.state.epoch, version))
}

// benches writes those of the benches that are wanted.
func (s *stream) benches(b *strings.Builder, all []heard) error {
	now := time.Now()
	for i := range all {
		if s.only != "" && all[i].id != s.only {
			continue
		}
		v := all[i].view(now)
		if err := event(b, "bench", v.update()); err != nil {
			return err
		}
	}
	return nil
}

// waveforms writes the steps that are new, if any are wanted.
func (s *stream) waveforms(b *strings.Builder) error {
	if len(s.waves) == 0 {
		return nil
	}
	w := s.state.wave(s.only, s.waves, time.Now())
	if w.n == s.waved || len(w.begins) == 0 {
		return nil
	}
	u := w.update(s.waves, s.waved)
	s.waved = w.n
	return event(b, "waveform", u)
}

// inHand writes what the lead in hand reads.
func (s *stream) inHand(b *strings.Builder) error {
	v, _, ok := s.state.inHand(s.only, s.hand, time.Now())
	if !ok {
		return nil
	}
	return event(b, "hand", v.update())
}

// event writes one event; JSON has no line breaks of its own.
func event(b *strings.Builder, name string, data any) error {
	text, err := json.Marshal(data)
	if err != nil {
		return err
	}
	fmt.Fprintf(b, "event: %s\ndata: %s\n\n", name, text)
	return nil
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
