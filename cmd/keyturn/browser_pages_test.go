package main

import (
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"golang.org/x/net/html"
)

// row is a kind of page that people see.
type row struct {
	name    string // of its pictures
	pattern string // of its addresses, as http.ServeMux has them
	path    func(*site) string
	status  int
	sheet   bool // is printed
}

// pages are all there are. A page that is linked to and has no row here fails
// TestBrowserPages.
func pages() []row {
	at := func(path string) func(*site) string { return func(*site) string { return path } }
	return []row{
		{"now", "/{$}", at("/"), http.StatusOK, false},
		{"bench", "/bench/{bench}", at("/bench/bay-1"), http.StatusOK, false},
		{"bench-away", "", at("/bench/salvage"), http.StatusOK, false},
		{"cycle", "/cycle/{bench}/{id}", func(s *site) string { return s.cycles[0] }, http.StatusOK, true},
		{"leads", "/hand/{bench}", at("/hand/bay-1"), http.StatusOK, false},
		{"hand", "/hand/{bench}/{lead}", at("/hand/bay-1/lead-07"), http.StatusOK, false},
		{"hand-named", "", at("/hand/bay-1/lead-07?name=f05"), http.StatusOK, false},
		{"compare", "/compare", func(s *site) string { return compared(s.cycles[0], s.cycles[1]) }, http.StatusOK, true},
		{"compare-choose", "", func(s *site) string { return compared(s.cycles[0], "") }, http.StatusOK, false},
		{"history", "/history", at("/history"), http.StatusOK, false},
		{"history-none", "", at("/history?slot=none-such"), http.StatusOK, false},
		{"health", "/health", at("/health"), http.StatusOK, false},
		{"nowhere", "", at("/no-such-page"), http.StatusNotFound, false},
	}
}

// compared is where two key cycles are, told by their pages; without the second it is
// chosen.
func compared(a, b string) string {
	q := url.Values{}
	for name, page := range map[string]string{"a": a, "b": b} { // each by itself
		if page != "" {
			part := strings.Split(page, "/")
			q.Set(name+"-bench", part[2])
			q.Set(name, part[3])
		}
	}
	return "/compare?" + q.Encode()
}

// Every page, in every theme and at every width, is held to WCAG by axe, fits its
// screen, has targets that a glove hits, and says nothing in the console. Its pictures
// are for people: go test -run BrowserPages -artifacts -outputdir DIR.
func TestBrowserPages(t *testing.T) {
	s, b, axe := startSite(t), startBrowser(t), axeSource(t)
	pictures := t.ArtifactDir()
	t.Run("links", func(t *testing.T) { walk(t, s) })
	for _, r := range pages() {
		t.Run(r.name, func(t *testing.T) {
			t.Parallel()
			judgePage(t, r, s, b.tab(t), axe, filepath.Join(pictures, r.name))
		})
	}
}

// widths are those of a wall, a tablet and a phone.
func widths() []int64 { return []int64{1920, 1024, 390} }

func judgePage(t *testing.T, r row, s *site, x *tab, axe, picture string) {
	x.size(1920)
	if status := x.open(s.url(r.path(s))); status != r.status {
		t.Errorf("status %d, want %d", status, r.status)
	}
	t.Logf("%d bytes, first paint after %.0f ms", eval[int](x, `performance.getEntriesByType("navigation")[0].encodedBodySize`), eval[float64](x, firstPaint))
	for _, width := range widths() {
		x.size(width)
		for _, m := range themes() {
			x.theme(m)
			for _, f := range x.faults(axe, m, width) {
				t.Errorf("%s, %d px: %s", m.name, width, f)
			}
			if m.name == "dark" || m.name == "light" {
				x.picture(fmt.Sprintf("%s-%d-%s.png", picture, width, m.name))
			}
		}
	}
	if r.sheet {
		x.print(picture+"-a4.pdf", chromedp.PaperA4)
		x.print(picture+"-letter.pdf", chromedp.PaperLetter)
	}
	for _, said := range x.troubles() {
		if r.status == http.StatusOK || !strings.Contains(said, fmt.Sprint(r.status)) {
			t.Error(said)
		}
	}
}

// firstPaint is when a page first showed something, in ms after it was asked for.
const firstPaint = `new Promise((done) => new PerformanceObserver((list) => {
	for (const e of list.getEntriesByName("first-contentful-paint")) done(e.startTime);
}).observe({type: "paint", buffered: true}))`

// faults are what is wrong with the page as it is shown now.
func (x *tab) faults(axe string, m theme, width int64) []string {
	x.t.Helper()
	x.unfold(true)
	all := x.violations(axe)
	if m.media == "print" {
		return all // paper has neither a width of ours nor targets
	}
	if over := eval[int](x, "document.documentElement.scrollWidth - document.documentElement.clientWidth"); over > 0 {
		all = append(all, fmt.Sprintf("scrolls sideways by %d px", over))
	}
	// 15 mm on a phone of 153 px an inch and on a tablet of 132.
	if least := map[int64]int{390: 91, 1024: 78}[width]; least > 0 {
		all = append(all, eval[[]string](x, fmt.Sprintf(smallTargets, least))...)
	}
	return all
}

// smallTargets lists what can be touched and is smaller than so many px. A link within a
// sentence is as high as its line, and the way past the menu is for keyboards; what a
// label belongs to is touched at the label too. (axe holds all of them to 24 px.)
const smallTargets = `[...document.querySelectorAll("a[href], button, input, select, textarea, summary")].flatMap((e) => {
	const at = ["checkbox", "radio"].includes(e.type) && e.labels.length ? e.labels[0] : e;
	const box = at.getBoundingClientRect(), least = %d - 0.5;
	if (!at.checkVisibility({visibilityProperty: true}) || e.type === "hidden" || e.closest("[inert], .skip") || getComputedStyle(at).display === "inline") return [];
	if (box.width >= least && box.height >= least) return [];
	return ["too small for a glove: " + e.outerHTML.slice(0, 100) + ": " + Math.round(box.width) + " by " + Math.round(box.height) + " px"];
})`

// unfold shows what pages keep folded, or hides it again.
func (x *tab) unfold(open bool) {
	x.t.Helper()
	eval[chromedp.Void](x, fmt.Sprintf(`document.querySelectorAll("details").forEach((e) => { e.open = %t; })`, open))
}

// picture keeps the whole page as a picture.
func (x *tab) picture(name string) {
	x.t.Helper()
	x.unfold(false)
	x.keep(name, do(x, chromedp.FullScreenshot(100)))
}

// print keeps the page as it is printed.
func (x *tab) print(name string, paper chromedp.PaperSize) {
	x.t.Helper()
	x.keep(name, do(x, chromedp.PrintToPDF(chromedp.PDFPaper(paper))))
}

func (x *tab) keep(name string, data []byte) {
	x.t.Helper()
	if err := os.WriteFile(name, data, 0o644); err != nil {
		x.t.Fatal(err)
	}
}

// walk follows every link of every page, so that none leads nowhere and none leads to a
// page that was left out of the table. Of each kind of page a few are read.
func walk(t *testing.T, s *site) {
	t.Helper()
	const eachMost = 4
	mux := http.NewServeMux()
	for _, r := range pages() {
		if r.pattern != "" {
			mux.Handle(r.pattern, http.NotFoundHandler())
		}
	}
	todo, done, read := []string{}, map[string]bool{}, map[string]int{}
	for _, r := range pages() {
		if r.status == http.StatusOK {
			todo = append(todo, r.path(s))
		}
	}
	for len(todo) > 0 {
		path := todo[0]
		todo = todo[1:]
		u, err := url.Parse(path)
		if err != nil {
			t.Errorf("a link to %q: %v", path, err)
			continue
		}
		u.Fragment = ""
		_, kind := mux.Handler(&http.Request{Method: http.MethodGet, URL: u})
		if done[u.String()] || kind != "" && read[kind] >= eachMost {
			continue
		}
		done[u.String()] = true
		read[kind]++
		code, links, isPage := s.linksOf(u.String())
		switch {
		case code != http.StatusOK:
			t.Errorf("a link leads to %s, which answers %d", path, code)
		case isPage && kind == "":
			t.Errorf("%s is linked to and in no row of pages()", path)
			mux.Handle("/"+strings.Split(u.Path, "/")[1]+"/", http.NotFoundHandler()) // is said once
		}
		todo = append(todo, links...)
	}
	for _, r := range pages() {
		if r.pattern != "" && read[r.pattern] == 0 {
			t.Errorf("%s: %s is not the pattern of its page", r.name, r.pattern)
		}
	}
}

// linksOf returns where a page leads.
func (s *site) linksOf(path string) (code int, links []string, isPage bool) {
	s.t.Helper()
	r, err := http.Get(s.url(path))
	if err != nil {
		s.t.Fatal(err)
	}
	defer r.Body.Close()
	if !strings.HasPrefix(r.Header.Get("Content-Type"), "text/html") {
		return r.StatusCode, nil, false
	}
	doc, err := html.Parse(r.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	for n := range doc.Descendants() {
		for _, a := range n.Attr {
			if n.Data == "a" && a.Key == "href" && strings.HasPrefix(a.Val, "/") {
				links = append(links, a.Val)
			}
		}
	}
	return r.StatusCode, links, true
}
