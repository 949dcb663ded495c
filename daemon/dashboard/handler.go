package dashboard

import (
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"time"
)

// Options is what a dashboard is made of.
type Options struct {
	// State is what the benches say now.
	State *State
	// Records are the stored key cycles; nil: there are none, and pages say so.
	Records Records
	// Hosts are the names under which the dashboard may be asked for, without port;
	// none: loopback's.
	Hosts []string
	// Streams is how many pages are kept up to date at once; 0: 64.
	Streams int
	// Done, once closed, ends the streams, so that a server can shut down.
	Done <-chan struct{}
	// Zone is the time zone of what is shown; nil: the machine's.
	Zone *time.Location
	// Logger is told what a page could not be made of; nil discards.
	Logger *slog.Logger
}

const streamsDefault = 64

// loopback are the names of this machine to itself.
var loopback = []string{"localhost", "127.0.0.1", "::1"}

// dashboard serves the pages.
type dashboard struct {
	o         Options
	pages     *template.Template
	assets    *assets
	streaming chan struct{} // a place for each stream
}

// New returns the pages. It asks nobody who he is: let it be heard on loopback only.
func New(o Options) (http.Handler, error) {
	if o.State == nil {
		return nil, errors.New("dashboard: no state")
	}
	if o.Streams == 0 {
		o.Streams = streamsDefault
	}
	if o.Streams < 0 {
		return nil, errors.New("dashboard: fewer than no streams")
	}
	if len(o.Hosts) == 0 {
		o.Hosts = loopback
	}
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	a, err := loadAssets()
	if err != nil {
		return nil, err
	}
	d := &dashboard{o: o, assets: a, streaming: make(chan struct{}, o.Streams)}
	if d.pages, err = template.New("").Funcs(template.FuncMap{"asset": a.url}).ParseFS(files, "templates/*.html"); err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", d.now)
	mux.HandleFunc("GET /bench/{bench}", d.bench)
	mux.HandleFunc("GET /hand/{bench}", d.leads)
	mux.HandleFunc("GET /hand/{bench}/{lead}", d.hand)
	mux.HandleFunc("GET /cycle/{bench}/{id}", d.cycle)
	mux.HandleFunc("GET /compare", d.compare)
	mux.HandleFunc("GET /history", d.history)
	mux.HandleFunc("GET /health", d.health)
	mux.HandleFunc("GET /events", d.events)
	mux.HandleFunc("GET /assets/{name}", a.serve)
	mux.HandleFunc("GET /", d.nowhere)
	return d.guard(mux), nil
}

// Server returns a server for the pages with limits on what a client may cost. Streams
// put off the write limit by themselves.
func Server(h http.Handler) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       10 * time.Second,
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
	}
}
