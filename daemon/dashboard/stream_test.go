package dashboard

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"keyturn/protocol"
)

func updateText(t *testing.T, h heard) string {
	t.Helper()
	v := h.view(time.Now())
	text, err := json.Marshal(v.update())
	if err != nil {
		t.Fatal(err)
	}
	return "data: " + string(text) + "\n"
}

// reader is a client that reads when the test takes from out.
type reader struct {
	header http.Header
	status int
	out    chan string
	gone   context.Context
	ended  chan struct{}
}

func (r *reader) Header() http.Header { return r.header }
func (r *reader) WriteHeader(s int)   { r.status = s }
func (r *reader) Flush()              {}
func (r *reader) Write(b []byte) (int, error) {
	select {
	case r.out <- string(b):
		return len(b), nil
	case <-r.gone.Done():
		return 0, r.gone.Err()
	}
}

// listen opens a stream inside a synctest bubble.
func listen(t *testing.T, h http.Handler, path, lastID string, cookies ...*http.Cookie) (r *reader, leave func()) {
	ctx, cancel := context.WithCancel(t.Context())
	r = &reader{header: http.Header{}, out: make(chan string), gone: ctx, ended: make(chan struct{})}
	req := httptest.NewRequestWithContext(ctx, http.MethodGet, path, nil)
	req.Host = "localhost"
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	for _, c := range cookies {
		req.AddCookie(c)
	}
	go func() { h.ServeHTTP(r, req); close(r.ended) }()
	return r, func() { cancel(); <-r.ended }
}

// voltsIn lists the volts of the first slot in all updates of a piece.
func voltsIn(t *testing.T, piece string) []string {
	t.Helper()
	var out []string
	for _, line := range strings.Split(piece, "\n") {
		if text, ok := strings.CutPrefix(line, "data: "); ok && text != "{}" {
			var u update
			if err := json.Unmarshal([]byte(text), &u); err != nil {
				t.Fatal(err)
			}
			out = append(out, u.Slots[0][2])
		}
	}
	return out
}

func idIn(piece string) string {
	_, rest, _ := strings.Cut(piece, "id: ")
	id, _, _ := strings.Cut(rest, "\n")
	return id
}

func speak(t *testing.T, s *State, at int) {
	n := nowOf("b", time.Duration(at)*time.Second, 1)
	n.Leads[1].V = volts(float64(at))
	take(t, s, n)
}

func TestSlowClientGetsTheLatestOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newState(t)
		take(t, s, described("b", 1))
		speak(t, s, 2)
		r, leave := listen(t, newPages(t, Options{State: s}), "/events", "")
		defer leave()
		if got := <-r.out; got != "retry: 3000\n\n" {
			t.Fatalf("begins with %q", got)
		}
		if got := voltsIn(t, <-r.out); fmt.Sprint(got) != "[2.00 V]" {
			t.Fatalf("begins with %v", got)
		}
		speak(t, s, 3)
		synctest.Wait()
		<-time.After(time.Second) // simulated: now it is stuck in a write
		for at := 4; at < 1000; at++ {
			speak(t, s, at)
		}
		if got := voltsIn(t, <-r.out); fmt.Sprint(got) != "[3.00 V]" {
			t.Errorf("the piece it was stuck with: %v", got)
		}
		if got := voltsIn(t, <-r.out); fmt.Sprint(got) != "[999.00 V]" {
			t.Errorf("the next piece: %v, want the latest only", got)
		}
	})
}

func TestStreamBeatsAndPauses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newState(t)
		take(t, s, described("b", 1), nowOf("silent", time.Second, 1))
		speak(t, s, 2)
		r, leave := listen(t, newPages(t, Options{State: s}), "/events", "")
		defer leave()
		<-r.out
		<-r.out
		begin := time.Now()
		speak(t, s, 3)
		if got := <-r.out; strings.Contains(got, "silent") {
			t.Errorf("a bench that said nothing is sent again: %s", got)
		}
		if d := time.Since(begin); d != streamLeast {
			t.Errorf("the second update after %v, want %v", d, streamLeast)
		}
		if got := <-r.out; !strings.HasPrefix(got, "event: beat") || time.Since(begin) != beatEvery {
			t.Errorf("after %v: %q, want a beat after %v", time.Since(begin), got, beatEvery)
		}
	})
}

func TestStreamGoesOnWhereItBroke(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newState(t)
		take(t, s, described("b", 1), nowOf("other", time.Second, 1))
		speak(t, s, 2)
		h := newPages(t, Options{State: s})
		r, leave := listen(t, h, "/events", "")
		<-r.out
		first := <-r.out
		leave()
		if got := len(voltsIn(t, first)); got != 2 || idIn(first) == "" {
			t.Fatalf("%d benches at first, id %q", got, idIn(first))
		}
		speak(t, s, 3)
		for id, want := range map[string]int{idIn(first): 1, "gone-1": 2, "": 2, "rubbish": 2} { // each by itself
			r, leave := listen(t, h, "/events", id)
			<-r.out
			if got := len(voltsIn(t, <-r.out)); got != want {
				t.Errorf("Last-Event-ID %q: %d benches, want %d", id, got, want)
			}
			leave()
		}
		r, leave = listen(t, h, "/events?bench=other&seen="+s.epoch+"-0", "")
		<-r.out
		if got := <-r.out; !strings.Contains(got, `"bench":"other"`) || strings.Contains(got, `"bench":"b"`) {
			t.Errorf("of one bench: %s", got)
		}
		leave()
	})
}

func TestStreamsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		done := make(chan struct{})
		h := newPages(t, Options{State: newState(t), Streams: 2, Done: done})
		var leaves []func()
		for range 2 {
			r, leave := listen(t, h, "/events", "")
			<-r.out
			leaves = append(leaves, leave)
		}
		if w := get(h, "/events"); w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
			t.Errorf("the third stream: %d", w.Code)
		}
		pageAt(t, h, "/", http.StatusOK) // pages go on
		leaves[0]()
		r, leave := listen(t, h, "/events", "")
		if got := <-r.out; !strings.HasPrefix(got, "retry") {
			t.Errorf("a place that was left is not given again: %q", got)
		}
		close(done) // a server that shuts down need not wait for readers
		<-r.ended
		leave()
		leaves[1]()
	})
}

func TestStreamOverRealConnections(t *testing.T) {
	s := newState(t)
	srv := httptest.NewUnstartedServer(nil)
	srv.Config = Server(newPages(t, Options{State: s}))
	srv.Start()
	defer srv.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	req, _ := http.NewRequestWithContext(ctx, http.MethodGet, srv.URL+"/events", nil)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	take(t, s, presence("b", time.Second, protocol.Online))
	var got strings.Builder
	buf := make([]byte, 4096)
	for !strings.Contains(got.String(), `"presence":["online","online"]`) {
		n, err := resp.Body.Read(buf)
		if got.Write(buf[:n]); err != nil {
			t.Fatalf("%v after %q", err, got.String())
		}
	}
	if ct := resp.Header.Get("Content-Type"); ct != "text/event-stream" {
		t.Errorf("content type %q", ct)
	}
}
