package dashboard

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/net/html"

	"keyturn/protocol"
)

func TestPagesForAnyShop(t *testing.T) {
	for _, shop := range []struct{ benches, slots int }{{0, 0}, {1, 0}, {1, 12}, {50, 32}} {
		t.Run(fmt.Sprintf("%d of %d", shop.benches, shop.slots), func(t *testing.T) {
			s := newState(t)
			var records memory
			for i := range shop.benches {
				id := fmt.Sprintf("bench-%d", i+1)
				take(t, s, presence(id, time.Second, protocol.Online), described(id, shop.slots), nowOf(id, time.Second, shop.slots))
				records = append(records, cycleOf(id, i))
			}
			h := newPages(t, Options{State: s, Records: records})
			doc, _ := pageAt(t, h, "/", http.StatusOK)
			cells := cellsOf(doc)
			if len(cells) != shop.benches*shop.slots || len(all(doc, "section", "data-bench")) != shop.benches {
				t.Fatalf("%d cells, want %d", len(cells), shop.benches*shop.slots)
			}
			for i, c := range cells {
				want := []string{"f%02d last: live 12.50 V Radio", "f%02d last: no volts 0.00 V Radio", "f%02d last: unknown Radio no samples"}[i%shop.slots%3]
				if got := words(c); got != fmt.Sprintf(want, i%shop.slots+1) {
					t.Fatalf("cell %d says %q, want %q", i, got, want)
				}
				if use := all(c, "use", "href"); len(use) != 1 || attr(use[0], "href") != "#m-"+attr(c, "data-state") {
					t.Fatalf("cell %d: its shape is not that of %s", i, attr(c, "data-state"))
				}
			}
			for _, path := range []string{"/history", "/health", "/history?bench=bench-1&slot=f01&behaviour=ignition"} {
				pageAt(t, h, path, http.StatusOK)
			}
			if shop.benches == 0 {
				pageAt(t, h, "/bench/bench-1", http.StatusNotFound)
				return
			}
			doc, _ = pageAt(t, h, "/bench/bench-1", http.StatusOK)
			if n := len(cellsOf(doc)); n != shop.slots {
				t.Errorf("the bench's page has %d cells, want %d", n, shop.slots)
			}
			doc, _ = pageAt(t, h, "/cycle/bench-1/"+records[0].ID, http.StatusOK)
			if text := words(doc); !strings.Contains(text, "live with the ignition on (15) at once") || !strings.Contains(text, "0.0050 s ± 0.20 ms") {
				t.Errorf("the key cycle's page does not say what the slot does: %s", text)
			}
		})
	}
}

// cellsOf are the slots in their places; those that stand large above are a second time
// there, for the wall.
func cellsOf(doc *html.Node) []*html.Node {
	return slices.DeleteFunc(all(doc, "li", "data-state"), func(n *html.Node) bool { return attr(n.Parent, "class") != "slots" })
}

func TestFewSlotsAreLargeAndManyAreNot(t *testing.T) {
	for slots, want := range map[int]string{24: "far", 25: "near"} { // each by itself
		s := newState(t)
		take(t, s, nowOf("b", time.Second, slots))
		doc, _ := pageAt(t, newPages(t, Options{State: s}), "/", http.StatusOK)
		for _, d := range all(doc, "div", "id") {
			if attr(d, "id") == "benches" && attr(d, "class") != want {
				t.Errorf("%d slots: %s, want %s", slots, attr(d, "class"), want)
			}
		}
	}
}

// notices are the notices of a page that are to be seen.
func notices(doc *html.Node) string {
	var out []string
	for _, p := range all(doc, "p", "class") {
		if attr(p, "class") == "notice" && !hidden(p) {
			out = append(out, words(p))
		}
	}
	return strings.Join(out, " | ")
}

func hidden(n *html.Node) bool {
	return slices.ContainsFunc(n.Attr, func(a html.Attribute) bool { return a.Key == "hidden" })
}

func TestStaleIsSaid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newState(t)
		h := newPages(t, Options{State: s})
		said := func(when, want string) {
			t.Helper()
			doc, _ := pageAt(t, h, "/", http.StatusOK)
			if got := notices(doc); want == "" && got != "" || !strings.Contains(got, want) {
				t.Errorf("%s: says %q, want %q", when, got, want)
			}
		}
		topic, payload := wire(t, nowOf("b", time.Second, 3))
		s.Take(topic, payload, true)
		said("only what the broker kept", "kept by the broker")
		take(t, s, nowOf("b", 2*time.Second, 3))
		said("it spoke", "")
		<-time.After(15 * time.Second) // simulated
		said("15 s", "")
		<-time.After(time.Second)
		said("16 s", "Stale: last heard 16 s ago")
		take(t, s, nowOf("b", 2*time.Second, 3), nowOf("b", time.Second, 3))
		said("the same again, and an older one", "last heard 16 s ago")
		take(t, s, nowOf("b", 3*time.Second, 3))
		said("it spoke again", "")
		take(t, s, presence("b", time.Second, protocol.CutOff))
		said("the will", "the connection to the bench broke")
		take(t, s, presence("b", 4*time.Second, protocol.Online), presence("b", time.Second, protocol.CutOff))
		said("an older connection's will after the new one", "")
		s.cut(true)
		said("the server lost the broker", "the connection to the broker broke")
		s.cut(false)
		said("it is back", "")
		n := nowOf("b", 5*time.Second, 3)
		n.Refusing = "the disk is full"
		take(t, s, n)
		said("refusing", "Key cycles are refused: the disk is full")
	})
}

func TestGhostIsSteady(t *testing.T) {
	s := newState(t)
	take(t, s, described("b", 3))
	h := newPages(t, Options{State: s})
	for i, c := range []struct {
		v    float64
		want string
	}{{3, "dead"}, {3.05, "ghost"}, {2, "dead"}, {0.2, "dead"}, {0.2, "dead"}} {
		n := nowOf("b", time.Duration(i+2)*time.Second, 2)
		n.Leads[2].V = volts(c.v)
		take(t, s, n)
		doc, _ := pageAt(t, h, "/", http.StatusOK)
		if got := attr(cellsOf(doc)[1], "data-state"); got != c.want {
			t.Errorf("step %d, %g V: %s, want %s", i, c.v, got, c.want)
		}
	}
}

func TestHistoryPages(t *testing.T) {
	var records memory
	for i := range 2*pageOf + 3 {
		records = append(records, cycleOf("b", 2*pageOf+3-i))
	}
	h := newPages(t, Options{State: newState(t), Records: records})
	seen := map[string]bool{}
	for path, pages := "/history?bench=b", 0; path != ""; pages++ {
		if pages == 3 {
			t.Fatal("more pages than there are")
		}
		doc, _ := pageAt(t, h, path, http.StatusOK)
		path = ""
		for _, a := range all(doc, "a", "href") {
			if strings.HasPrefix(attr(a, "href"), "/cycle/") {
				seen[attr(a, "href")] = true
			}
			if attr(a, "rel") == "next" {
				path = attr(a, "href")
			}
		}
	}
	if len(seen) != len(records) {
		t.Errorf("%d key cycles on all pages, want %d", len(seen), len(records))
	}
	doc, _ := pageAt(t, h, "/history?slot=f01&behaviour=permanent", http.StatusOK)
	if text := words(doc); !strings.Contains(text, "Key cycles with slot f01: permanent (30)") || strings.Contains(text, "f01 Radio: live with the ignition") {
		t.Errorf("the filter let others through: %s", text)
	}
	for path, want := range map[string]int{ // each by itself
		"/history?bench=B": 400, "/history?slot=%3Cscript%3E": 400, "/history?behaviour=x": 400, "/history?before=x": 400,
		"/history?before=0123abcd-1&before-bench=b": 404, "/cycle/b/none": 404, "/cycle/b/..%2fx": 404, "/cycle/B/x": 404,
	} {
		pageAt(t, h, path, want)
	}
}

func TestPictureStandsInThePage(t *testing.T) {
	c := cycleOf("b", 0)
	h := newPages(t, Options{State: newState(t), Records: memory{c}})
	doc, _ := pageAt(t, h, "/cycle/b/"+c.ID, http.StatusOK)
	if n := len(all(doc, "svg", "role")); n < 2 {
		t.Errorf("%d pictures, want a wide and a narrow one", n)
	}
}

func TestHealthHoldsIntervalsAgainstTheirBounds(t *testing.T) {
	s := newState(t)
	take(t, s, described("b", 3), nowOf("b", time.Second, 3))
	doc, _ := pageAt(t, newPages(t, Options{State: s}), "/health", http.StatusOK)
	text := words(doc)
	for _, want := range []string{"Sampled less often than planned: 1 of 3 leads", "lead-01 f01 7.00 ms 6.30 ms 9.00 ms within its bound", "lead-02 f02 7.00 ms 7.10 ms 9.00 ms over its bound", "lead-03 f03 7.00 ms not measured yet"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in %s", want, text)
		}
	}
}

// hostile is what a bench, or somebody with its password, may write into a text.
var hostile = []string{
	`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `' onmouseover='alert(1)`, `javascript:alert(1)`,
	"</textarea></title><svg/onload=alert(1)>", "\u202egnitoh\u2066x", "bad \xff\xfe UTF-8", "a\x00b\r\n\r\nevent: x", "{{.Body}}", strings.Repeat("long ", 10000),
}

func TestHostileTextsStayInert(t *testing.T) {
	for i, x := range hostile {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			s := newState(t)
			b, n := described("b", 3), nowOf("b", time.Second, 3)
			b.Software, b.Subject = x, protocol.Subject(x)
			b.Leads[0].Side, b.Leads[0].Calibration.Date = protocol.OrNull(x), protocol.OrNull(x)
			b.Chips = append(b.Chips, protocol.BenchChip{Chip: x, Family: x, Bus: x})
			n.Refusing, n.Cycle, n.Key.Position, n.Key.Source = protocol.OrNull(x), protocol.OrNull(x), protocol.Position(x), protocol.Source(x)
			n.Slots[0].Legend, n.Slots[1].Slot, n.Slots[1].State, n.Slots[2].Reason = protocol.OrNull(x), x, protocol.State(x), protocol.OrNull(x)
			c := cycleOf("b", 0)
			c.Subject, c.Ended = protocol.Subject(x), protocol.Ended(x)
			c.Key[0].Position, c.Slots[0].Legend, c.Slots[0].Behaviour = protocol.Position(x), protocol.OrNull(x), protocol.Behaviour(x)
			c.Slots[0].Leads[0].Transitions[0].State = protocol.State(x)
			c.Notes = append(c.Notes, protocol.Note{Text: x, Source: protocol.Source(x)})
			c.Battery = &protocol.CycleLead{Lead: "bat", Crank: protocol.List[protocol.Crank]{{ID: "k", CrankDetail: protocol.CrankDetail{NotMeasured: protocol.OrNull(x)}}}}
			take(t, s, presence("b", time.Second, protocol.PresenceState(x)), b, n, c)
			h := newPages(t, Options{State: s, Records: memory{c}})
			for _, path := range []string{"/", "/bench/b", "/hand/b", "/hand/b/lead-01", "/health", "/history", "/history?bench=b&slot=f01", "/cycle/b/" + c.ID} {
				_, text := pageAt(t, h, path, http.StatusOK) // no element, handler or address of theirs
				most := 64 << 10
				if strings.HasPrefix(path, "/cycle/") {
					most += 32 << 10 // its four pictures tell the cut texts again
				}
				if strings.ContainsAny(text, "\u202e\u2066\x00\r") || len(text) > most {
					t.Errorf("GET %s: passes hidden letters on, or all of a long text (%d bytes)", path, len(text))
				}
			}
			v, _, _ := s.one("b")
			for _, line := range strings.Split(updateText(t, v), "\n") {
				if line != "" && !strings.HasPrefix(line, "data: ") {
					t.Errorf("the stream has a line %q", line)
				}
			}
		})
	}
}

func TestWhatIsNoDocumentIsDropped(t *testing.T) {
	s := newState(t)
	topic, good := wire(t, nowOf("b", time.Second, 1))
	for _, m := range []struct{ topic, payload string }{
		{topic, ""}, {topic, "{"}, {topic, strings.Repeat("[", 100000)}, {topic, strings.Repeat(" ", protocol.MaxDocumentBytes+1)},
		{topic, strings.Replace(string(good), `"bench":"b"`, `"bench":"other"`, 1)},
		{strings.Replace(topic, "/now", "/bench", 1), string(good)}, {"keyturn/v1/../now", string(good)}, {"else/v1/b/now", string(good)},
	} {
		before := s.Refused()
		s.Take(m.topic, []byte(m.payload), false)
		if s.Refused() != before+1 {
			t.Errorf("%s %.40q was not refused", m.topic, m.payload)
		}
	}
	for i := range benchesMax + 1 {
		take(t, s, nowOf(fmt.Sprintf("b-%d", i), time.Second, 0))
	}
	if all, _ := s.since(0); len(all) != benchesMax || s.Refused() != 9 {
		t.Errorf("%d benches and %d refused, want %d and 9", len(all), s.Refused(), benchesMax)
	}
}

func TestAccess(t *testing.T) {
	h := newPages(t, Options{State: newState(t)})
	do := func(method, host, path string) *httptest.ResponseRecorder {
		gone, cancel := context.WithTimeout(t.Context(), 5*time.Second) // were a stream let in, it would stay
		defer cancel()
		r := httptest.NewRequestWithContext(gone, method, path, nil)
		r.Host = host
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	for _, c := range []struct {
		method, host, path string
		want               int
	}{
		{"GET", "localhost", "/", 200}, {"GET", "127.0.0.1:8080", "/", 200}, {"GET", "[::1]:8080", "/", 200}, {"HEAD", "LOCALHOST:1", "/", 200},
		{"GET", "evil.example", "/", 421}, {"GET", "localhost.evil.example:80", "/", 421}, {"GET", "", "/", 421}, {"GET", "evil.example", "/events", 421},
		{"POST", "localhost", "/", 405}, {"PUT", "localhost", "/history", 405}, {"DELETE", "localhost", "/cycle/b/x", 405}, {"OPTIONS", "localhost", "/", 405},
		{"GET", "localhost", "/nothing", 404}, {"GET", "localhost", "/assets/", 404}, {"GET", "localhost", "/assets/keyturn.css", 404}, {"GET", "localhost", "/templates/now.html", 404},
		{"GET", "localhost", "/?" + strings.Repeat("x", urlMax), 414}, {"GET", "localhost", "/events?bench=%0a", 400},
	} {
		w := do(c.method, c.host, c.path)
		if w.Code != c.want {
			t.Errorf("%s %s %.40s: %d, want %d", c.method, c.host, c.path, w.Code, c.want)
		}
		for name, want := range map[string]string{ // each by itself
			"Content-Security-Policy": "default-src 'none'", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "X-Frame-Options": "DENY",
		} {
			if got := w.Header().Get(name); !strings.HasPrefix(got, want) {
				t.Errorf("%s %s: %s is %q", c.method, c.path, name, got)
			}
		}
		if strings.Contains(w.Header().Get("Content-Security-Policy"), "unsafe") || !strings.Contains(w.Header().Get("Content-Security-Policy"), "frame-ancestors 'none'") {
			t.Error("the policy is open")
		}
		if c.method == "HEAD" && w.Body.Len() > 0 {
			t.Errorf("HEAD %s has a body", c.path)
		}
	}
}

func TestAssetsAreKeptAndPagesAreNot(t *testing.T) {
	h := newPages(t, Options{State: newState(t)})
	w := get(h, "/")
	if got := w.Header().Get("Cache-Control"); got != "no-store" {
		t.Errorf("a page may be kept: %q", got)
	}
	doc, _ := pageAt(t, h, "/", http.StatusOK)
	n := 0
	for _, el := range append(all(doc, "link", "href"), all(doc, "script", "src")...) {
		w := get(h, attr(el, "href")+attr(el, "src"))
		if n++; w.Code != http.StatusOK || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
			t.Errorf("%v: %d, %q", el.Attr, w.Code, w.Header().Get("Cache-Control"))
		}
	}
	if n != 3 {
		t.Errorf("%d files beside the page, want 3", n)
	}
}

func TestPageWeight(t *testing.T) {
	s := newState(t)
	for i := range 50 {
		id := fmt.Sprintf("bench-%d", i)
		take(t, s, described(id, 32), nowOf(id, time.Second, 32))
	}
	h := newPages(t, Options{State: s})
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r.Host = "localhost"
	r.Header.Set("Accept-Encoding", "br, gzip;q=0.8")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Header().Get("Content-Encoding") != "gzip" || w.Body.Len() > 150e3 {
		t.Errorf("%q, %d bytes, want at most 150 kB of gzip", w.Header().Get("Content-Encoding"), w.Body.Len())
	}
}
