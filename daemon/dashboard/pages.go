package dashboard

import (
	"bytes"
	"compress/gzip"
	"net/http"
	"strconv"
	"strings"
	"time"

	"keyturn/protocol"
)

// farMax is how many slots a wall screen shows large enough to be read from 5 m.
const farMax = 24

// page is what every page is made from.
type page struct {
	Title string
	Here  string // which page of the menu it is
	Made  time.Time
	// Live is what the script asks for, empty where a page does not change.
	Live string
	// Scripts and Styles are those that this page needs beside those of every page.
	Scripts, Styles []string
	// Who asks; without a name where nobody is asked who he is.
	Who person
	// Version and Epoch say what the page shows already.
	Version uint64
	Epoch   string
	Body    any
}

// KeepsUsers reports whether who asks may keep users.
func (p page) KeepsUsers() bool { return p.Who.Role >= Instructor }

// Reads reports whether who asks may see what the benches measure; who signs in is not
// known yet, and is told of those pages.
func (p page) Reads() bool { return p.Who.Role != Apprentice }

// MadeText says when the page was made.
func (p page) MadeText() string { return moment(p.Made) }

func (d *dashboard) page(title, here string) page {
	return page{Title: title, Here: here, Made: time.Now().In(d.o.Zone), Epoch: d.o.State.epoch}
}

// show makes a page whole before the first byte is sent, so that a fault cannot leave
// half a page that looks like one.
func (d *dashboard) show(w http.ResponseWriter, r *http.Request, status int, name string, p page) {
	p.Who = d.who(r)
	var b bytes.Buffer
	if err := d.pages.ExecuteTemplate(&b, name, p); err != nil {
		d.o.Logger.Error("a page could not be made", "page", name, "err", err)
		http.Error(w, "The page could not be made; the server's log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	reply(w, r, status, b.Bytes())
}

// nowBody is the page Now.
type nowBody struct {
	Benches []benchView
	Far     bool     // few enough slots to be read from 5 m
	Before  []string // all that is looked at before the key of a vehicle is turned
}

// now shows all benches.
func (d *dashboard) now(w http.ResponseWriter, r *http.Request) {
	p := d.page("Now", "now")
	all, version := d.o.State.since(0)
	body := nowBody{}
	slots := 0
	for i := range all {
		v := all[i].view(p.Made)
		slots += len(v.Slots)
		if len(v.Before.Items) > len(body.Before) {
			body.Before = v.Before.Items
		}
		body.Benches = append(body.Benches, v)
	}
	body.Far = slots <= farMax
	for i := range body.Benches {
		body.Benches[i].Far = body.Far
	}
	p.Live, p.Version, p.Body = "/events", version, body
	d.show(w, r, http.StatusOK, "now", p)
}

// benchBody is the page of one bench.
type benchBody struct {
	nowBody
	Waves wavesBody
}

// bench shows one bench large, for the screen beside it, and the waveforms of a few of
// its leads.
func (d *dashboard) bench(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("bench")
	h, version, ok := d.o.State.one(id)
	if protocol.CheckID(id) != nil || !ok {
		d.sorry(w, r, http.StatusNotFound, "No bench of that name has been heard.")
		return
	}
	p := d.page("Bench "+id, "now")
	v := h.view(p.Made)
	v.Far, v.Before.May = len(v.Slots) <= farMax, d.may(r)
	body := benchBody{nowBody{Benches: []benchView{v}, Far: v.Far}, d.waves(&h, r.URL.Query()["show"], p.Made)}
	p.Live, p.Version, p.Body = body.Waves.live(), version, body
	p.Scripts, p.Styles = []string{"uplot/uPlot.iife.min.js", "wave.js"}, []string{"uplot/uPlot.min.css"}
	d.show(w, r, http.StatusOK, "bench", p)
}

// nowhere is every address that is none.
func (d *dashboard) nowhere(w http.ResponseWriter, r *http.Request) {
	d.sorry(w, r, http.StatusNotFound, "There is no such page.")
}

// sorry says on a page why there is none.
func (d *dashboard) sorry(w http.ResponseWriter, r *http.Request, status int, why string) {
	p := d.page(why, "")
	p.Body = why
	d.show(w, r, status, "sorry", p)
}

// packWorth is the size from which compressing pays.
const packWorth = 1024

// reply sends a whole answer, compressed where the browser takes it.
func reply(w http.ResponseWriter, r *http.Request, status int, text []byte) {
	h := w.Header()
	h.Add("Vary", "Accept-Encoding")
	if len(text) >= packWorth && takesGzip(r.Header.Get("Accept-Encoding")) {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		z.Write(text) // a buffer takes everything
		z.Close()
		text = b.Bytes()
		h.Set("Content-Encoding", "gzip")
	}
	h.Set("Content-Length", strconv.Itoa(len(text)))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		w.Write(text) // who has gone away is not to be told
	}
}

// takesGzip reads Accept-Encoding as far as we need it: gzip named, and not refused.
func takesGzip(accept string) bool {
	for part := range strings.SplitSeq(accept, ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.TrimSpace(name) == "gzip" {
			q = strings.ReplaceAll(q, " ", "")
			return q != "q=0" && !strings.HasPrefix(q, "q=0.0")
		}
	}
	return false
}
