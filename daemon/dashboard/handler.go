package dashboard

import (
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"net/netip"
	"time"

	"keyturn/daemon/dashboard/access"
	"keyturn/daemon/records"
)

// Options is what a dashboard is made of.
type Options struct {
	// State is what the benches say now.
	State *State
	// Records are the stored key cycles; nil: there are none, and pages say so.
	Records Records
	// Jobs are the jobs and their key cycles; nil: there are none, and pages say so.
	Jobs *records.Store
	// Exercises are those that can be released, in the order in which they are listed.
	Exercises []Exercise
	// Practice is a simulated box to practise on; nil: there is none.
	Practice Practice
	// Hosts are the names under which the dashboard may be asked for, without port;
	// none: loopback's.
	Hosts []string
	// Access says who may do what; nil: whoever asks may do everything, so let it be
	// heard on loopback only.
	Access *access.Access
	// Secure says that the pages are reached over TLS only, and tells browsers so.
	Secure bool
	// Proxy is the only one that is answered, if it is valid, and is believed for whom it
	// asks (the last address of X-Forwarded-For).
	Proxy netip.Addr
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

// Loopback are the names of this machine to itself.
func Loopback() []string { return []string{"localhost", "127.0.0.1", "::1"} }

// dashboard serves the pages.
type dashboard struct {
	o         Options
	exercises []exercise
	pages     *template.Template
	assets    *assets
	mux       *routes
	streaming chan struct{} // a place for each stream
	making    chan struct{} // a place for one photo
}

// New returns the pages.
func New(o Options) (http.Handler, error) {
	d, err := build(o)
	if err != nil {
		return nil, err
	}
	return d.guard(d.mux), nil
}

func build(o Options) (*dashboard, error) {
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
		o.Hosts = Loopback()
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
	exercises, err := readExercises(o.Exercises)
	if err != nil {
		return nil, err
	}
	d := &dashboard{o: o, exercises: exercises, assets: a, streaming: make(chan struct{}, o.Streams), making: make(chan struct{}, 1)}
	if d.pages, err = template.New("").Funcs(template.FuncMap{"asset": a.url}).ParseFS(files, "templates/*.html"); err != nil {
		return nil, err
	}
	mux := &routes{least: map[string]Role{}}
	mux.handle(Viewer, "GET /{$}", d.now)
	mux.handle(Viewer, "GET /bench/{bench}", d.bench)
	mux.handle(Operator, "POST /bench/{bench}/looked", d.looked)
	mux.handle(Viewer, "GET /hand/{bench}", d.leads)
	mux.handle(Viewer, "GET /hand/{bench}/{lead}", d.hand)
	mux.handle(Viewer, "GET /cycle/{bench}/{id}", d.cycle)
	mux.handle(Viewer, "GET /sheet/{bench}/{id}", d.sheet)
	mux.handle(Viewer, "GET /compare", d.compare)
	mux.handle(Viewer, "GET /history", d.history)
	d.jobRoutes(mux)
	d.boxRoutes(mux)
	d.exerciseRoutes(mux)
	d.practiceRoutes(mux)
	mux.handle(Viewer, "GET /health", d.health)
	mux.handle(Viewer, "GET /events", d.events)
	mux.handle(everybody, "GET /assets/{name}", a.serve)
	d.accessRoutes(mux)
	mux.handle(Viewer, "GET /", d.nowhere)
	d.mux = mux
	return d, nil
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
