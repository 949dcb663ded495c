package dashboard

import (
	"net/http"
	"net/url"
	"slices"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// Practice is a simulated box with a key and a hand meter, for who has no bench yet. It is
// safe for many goroutines.
type Practice interface {
	// Key is where the key is. Turn turns it.
	Key() protocol.Position
	Turn(protocol.Position)
	// Operable are the slots with something to operate, a switch or the fuse, and whether it
	// is closed or in; Operate changes one, by its id.
	Operable() []Operable
	Operate(id string)
	// TestPoints are where the tips of the meter may be held.
	TestPoints() []TestPoint
	// Read is what the meter shows between two of them: figure and unit, or why there is
	// none.
	Read(red, black string) (figure, unit, why string)
}

// Operable is something to operate by hand.
type Operable struct {
	ID, Name string
	Is, Do   string // how it stands, and what pressing does
}

// TestPoint is a place for the tip of a meter.
type TestPoint struct{ ID, Name string }

// practiceRoutes are the addresses of the simulated meter.
func (d *dashboard) practiceRoutes(mux *routes) {
	if d.o.Practice == nil {
		return
	}
	mux.handle(Apprentice, "GET /practice", d.practice)
	mux.handle(Apprentice, "POST /practice", d.practise)
}

// practiceBody is the page of the simulated meter.
type practiceBody struct {
	Red, Black        *field
	Figure, Unit, Why string
	Keys              []keyButton
	Operables         []Operable
}

// keyButton turns the key.
type keyButton struct {
	Position protocol.Position
	Word     string
	Here     bool
}

func (d *dashboard) practice(w http.ResponseWriter, r *http.Request) {
	q, p := r.URL.Query(), d.o.Practice
	body := practiceBody{Red: tip("red", "Red tip at"), Black: tip("black", "Black tip at"), Operables: p.Operable()}
	for _, x := range p.TestPoints() {
		for _, f := range []*field{body.Red, body.Black} {
			f.Options = append(f.Options, option{x.ID, x.Name})
			if x.ID == q.Get(f.Name) {
				f.Value = x.ID
			}
		}
	}
	body.Figure, body.Unit, body.Why = p.Read(body.Red.Value, body.Black.Value)
	for _, k := range rail {
		body.Keys = append(body.Keys, keyButton{k, report.Position(k), k == p.Key()})
	}
	page := d.page("Practice", "exercises")
	page.Scripts, page.Body = []string{"meter.js"}, body
	d.show(w, r, http.StatusOK, "practice", page)
}

func tip(name, label string) *field {
	return &field{ID: "m-" + name, Name: name, Label: label, Kind: "choice", Options: []option{{"", "nowhere"}}}
}

// practise turns the key or operates something; the tips stay where they are.
func (d *dashboard) practise(w http.ResponseWriter, r *http.Request) {
	if !d.form(w, r) {
		return
	}
	f := r.PostForm
	if k := protocol.Position(f.Get("key")); slices.Contains(rail, k) {
		d.o.Practice.Turn(k)
	}
	if id := f.Get("operate"); id != "" {
		d.o.Practice.Operate(id)
	}
	http.Redirect(w, r, practicePath(f.Get("red"), f.Get("black")), http.StatusSeeOther)
}

func practicePath(red, black string) string {
	return "/practice?" + url.Values{"red": {red}, "black": {black}}.Encode()
}
