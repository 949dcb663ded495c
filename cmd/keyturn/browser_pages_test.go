package main

import (
	"cmp"
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
	how     how
}

// how is what is special about a page.
type how struct {
	status   int  // 0: all is well
	sheet    bool // it is printed
	stranger bool // nobody has signed in
}

// pages are all there are. A page that is linked to and has no row here fails
// TestBrowserPages. Of those with one pattern the first bears it.
func pages() []row {
	at := func(path string) func(*site) string { return func(*site) string { return path } }
	return []row{
		{"now", "/{$}", at("/"), how{}},
		{"bench", "/bench/{bench}", at("/bench/bay-1"), how{}},
		{"bench-away", "", at("/bench/salvage"), how{}},
		{"leads", "/hand/{bench}", at("/hand/bay-1"), how{}},
		{"hand", "/hand/{bench}/{lead}", at("/hand/bay-1/lead-07"), how{}},
		{"hand-named", "", at("/hand/bay-1/lead-07?name=f05"), how{}},
		{"cycle", "/cycle/{bench}/{id}", func(s *site) string { return s.cycles[0] }, how{sheet: true}},
		{"sheet", "/sheet/{bench}/{id}", func(s *site) string { return strings.Replace(s.cycles[0], "/cycle/", "/sheet/", 1) }, how{sheet: true}},
		{"compare", "/compare", func(s *site) string { return compared(s.cycles[0], s.cycles[1]) }, how{sheet: true}},
		{"compare-choose", "", func(s *site) string { return compared(s.cycles[0], "") }, how{}},
		{"jobs", "/jobs", at("/jobs"), how{}},
		{"jobs-none", "", at("/jobs?q=none+such"), how{}},
		{"job-new", "/jobs/new/{kind}", at("/jobs/new/vehicle"), how{}},
		{"job-new-box", "", at("/jobs/new/box"), how{}},
		{"job", "/job/{job}", at("/job/1"), how{}},
		{"job-empty", "", at("/job/2"), how{}},
		{"card", "/job/{job}/card", at("/job/1/card"), how{sheet: true}},
		{"facts", "/job/{job}/facts", at("/job/1/facts"), how{}},
		{"delete", "/job/{job}/delete", at("/job/1/delete"), how{}},
		{"fitting-new", "/job/{job}/fitting", at("/job/1/fitting"), how{}},
		{"fitting", "/job/{job}/fitting/{item}", at("/job/1/fitting/1"), how{}},
		{"boxes", "/boxes", at("/boxes"), how{}},
		{"boxes-none", "", at("/boxes?outcome=marginal"), how{}},
		{"box", "/boxes/{bench}/{id}", testPage(testOver, ""), how{sheet: true}},
		{"box-next", "", testPage(testOpen, ""), how{}},
		{"box-first", "", testPage(testFirst, ""), how{}},
		{"box-sheet", "/boxes/{bench}/{id}/sheet", testPage(testOver, "/sheet"), how{sheet: true}},
		{"box-label", "/boxes/{bench}/{id}/label", testPage(testOver, "/label"), how{sheet: true}},
		{"history", "/history", at("/history"), how{}},
		{"history-none", "", at("/history?slot=none-such"), how{}},
		{"exercises", "/exercises", at("/exercises"), how{}},
		{"answers", "/answers/{sheet}", func(s *site) string { return s.sheets["answers"] }, how{}},
		{"answers-waiting", "", func(s *site) string { return s.sheets["waiting"] }, how{}},
		{"answers-marked", "", func(s *site) string { return s.sheets["marked"] }, how{sheet: true}},
		{"class", "/class", at("/class"), how{}},
		{"exercise", "/class/exercise/{exercise}", at("/class/exercise/after-key-off"), how{}},
		{"sitting", "/class/{sitting}", at("/class/1"), how{}},
		{"progress", "/progress", at("/progress?name=cara"), how{}},
		{"health", "/health", at("/health"), how{}},
		{"sign-in", "/sign-in", at("/sign-in"), how{stranger: true}},
		{"account", "/account", at("/account"), how{}},
		{"users", "/users", at("/users"), how{}},
		{"user", "/user", at("/user?name=tom"), how{}},
		{"nowhere", "", at("/no-such-page"), how{status: http.StatusNotFound}},
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
			x := b.tab(t)
			if !r.how.stranger {
				x.cookie(s.cookie, s.at("/"))
			}
			judgePage(t, r, s, x, axe, filepath.Join(pictures, r.name))
		})
	}
}

// widths are those of a wall, a tablet and a phone; print has the paper's.
func widths(m theme) []int64 {
	if m.media == "print" {
		return []int64{paperWidth}
	}
	return []int64{1920, 1024, 390}
}

func judgePage(t *testing.T, r row, s *site, x *tab, axe, picture string) {
	want := cmp.Or(r.how.status, http.StatusOK)
	for _, m := range themes() {
		x.theme(m)
		x.size(widths(m)[0])
		if status := x.open(s.at(r.path(s))); status != want {
			t.Errorf("status %d, want %d", status, want)
		}
		if m.name == "dark" {
			t.Logf("%d bytes, first paint after %.0f ms", eval[int](x, `performance.getEntriesByType("navigation")[0].encodedBodySize`), eval[float64](x, firstPaint))
		}
		for _, width := range widths(m) {
			x.size(width)
			for _, f := range x.faults(axe, m, width) {
				t.Errorf("%s, %d px: %s", m.name, width, f)
			}
			if m.name == "dark" || m.name == "light" {
				x.picture(fmt.Sprintf("%s-%d-%s.png", picture, width, m.name))
			}
		}
	}
	if r.how.sheet {
		x.print(picture+"-a4.pdf", chromedp.PaperA4)
		x.print(picture+"-letter.pdf", chromedp.PaperLetter)
	}
	for _, said := range x.troubles() {
		if want == http.StatusOK || !strings.Contains(said, fmt.Sprint(want)) {
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
	all := x.violations(axe, m)
	if m.media == "print" {
		return all // paper has neither a width of ours nor targets
	}
	if m.forced == "active" {
		all = append(all, eval[[]string](x, ownColours)...)
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

// ownColours lists what would keep its colours where the reader wants his.
const ownColours = `[...document.querySelectorAll("body, body *")].filter((e) => getComputedStyle(e).forcedColorAdjust === "none").map((e) => "shows its own colours: " + e.outerHTML.slice(0, 100))`

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
		if r.how.status == 0 {
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
	r, err := s.client.Get(s.at(path))
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
