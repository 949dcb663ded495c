package dashboard

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"keyturn/protocol"
)

// A large shop: what its benches say, and how many pages are open.
const (
	shopBenches, shopSlots, shopReaders = 50, 32, 20
	shopEvery                           = 500 * time.Millisecond // a bench says what its leads read
)

// BenchmarkNow runs a large shop for a second an iteration, in real time: its benches
// speak, its pages are kept up to date. cores is the processor time a second of all of
// it, the pages' own reading included; kB/s what one page is sent; page-kB what the page
// Now weighs when it is opened, with script and style; state-kB the memory a bench takes.
func BenchmarkNow(b *testing.B) {
	before := heap()
	s, err := NewState(protocol.DefaultRoot)
	if err != nil {
		b.Fatal(err)
	}
	speakers := make([]*speaker, shopBenches)
	for i := range speakers {
		if speakers[i], err = newSpeaker(s, fmt.Sprintf("bench-%d", i+1)); err != nil {
			b.Fatal(err)
		}
		speakers[i].speak(s)
	}
	state := heap() - before
	h, err := New(Options{State: s})
	if err != nil {
		b.Fatal(err)
	}
	server := httptest.NewUnstartedServer(nil)
	server.Config = Server(h)
	server.Start()
	defer server.Close()
	var got atomic.Int64
	var reading sync.WaitGroup
	ctx, stop := context.WithCancel(b.Context())
	for range shopReaders {
		r, err := readStream(ctx, server.URL)
		if err != nil {
			b.Fatal(err)
		}
		reading.Go(func() {
			defer r.Close()
			buf := make([]byte, 64<<10)
			for {
				n, err := r.Read(buf)
				if got.Add(int64(n)); err != nil {
					return
				}
			}
		})
	}
	next, from, fromBytes, began := 0, processorTime(), got.Load(), time.Now()
	for b.Loop() {
		for range int(time.Second / (shopEvery / shopBenches)) {
			next++
			if ahead := time.Duration(next)*shopEvery/shopBenches - time.Since(began); ahead > 0 {
				<-time.After(ahead)
			}
			speakers[next%shopBenches].speak(s)
		}
	}
	took := time.Since(began).Seconds()
	cpu := (processorTime() - from).Seconds()
	b.ReportMetric(cpu/took, "cores")
	b.ReportMetric(float64(next)/took, "updates/s")
	b.ReportMetric(float64(got.Load()-fromBytes)/took/shopReaders/1e3, "kB/s")
	b.ReportMetric(float64(weigh(b, h, "/"))/1e3, "page-kB")
	b.ReportMetric(float64(state)/shopBenches/1e3, "state-kB")
	stop()
	reading.Wait()
}

// speaker is a bench whose every word is later than the one before.
type speaker struct {
	topic   string
	payload []byte
	at      int // of the digits that tell when
	n       int
}

const laterDigits = 18 // of an instant in ns

func newSpeaker(s *State, bench string) (*speaker, error) {
	for _, d := range []protocol.Document{presence(bench, 1, protocol.Online), described(bench, shopSlots)} {
		topic, err := protocol.TopicOf(protocol.DefaultRoot, d)
		if err != nil {
			return nil, err
		}
		payload, err := protocol.Encode(d)
		if err != nil {
			return nil, err
		}
		s.Take(topic, payload, false)
	}
	d := nowOf(bench, 1e17, shopSlots)
	topic, err := protocol.TopicOf(protocol.DefaultRoot, d)
	if err != nil {
		return nil, err
	}
	payload, err := protocol.Encode(d)
	return &speaker{topic, payload, bytes.Index(payload, []byte(`"mono_ns":1`)) + len(`"mono_ns":`), 0}, err
}

func (p *speaker) speak(s *State) {
	p.n++
	copy(p.payload[p.at:p.at+laterDigits], strconv.FormatInt(1e17+int64(p.n), 10))
	s.Take(p.topic, p.payload, false)
}

func readStream(ctx context.Context, url string) (io.ReadCloser, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"/events", nil)
	if err != nil {
		return nil, err
	}
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, err
	}
	return r.Body, nil
}

// weigh adds up what a browser loads to show a page, compressed as it is sent.
func weigh(b *testing.B, h http.Handler, path string) int {
	b.Helper()
	get := func(path string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodGet, path, nil)
		r.Host = "localhost"
		r.Header.Set("Accept-Encoding", "gzip")
		w := httptest.NewRecorder()
		if h.ServeHTTP(w, r); w.Code != http.StatusOK {
			b.Fatalf("GET %s: %d", path, w.Code)
		}
		return w
	}
	sum := get(path).Body.Len()
	plain := httptest.NewRequest(http.MethodGet, path, nil)
	plain.Host = "localhost"
	w := httptest.NewRecorder()
	h.ServeHTTP(w, plain)
	for _, piece := range strings.Split(w.Body.String(), `="/assets/`)[1:] {
		name, _, _ := strings.Cut(piece, `"`)
		sum += get("/assets/" + name).Body.Len()
	}
	return sum
}

func heap() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// processorTime is what this process has used so far.
func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
