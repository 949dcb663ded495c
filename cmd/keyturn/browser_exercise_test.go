package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"keyturn/daemon"
	"keyturn/daemon/dashboard/access"
	"keyturn/protocol"
)

// A class: an instructor releases an exercise, two apprentices answer it at once, one of
// them with scripts blocked, the key is turned, marks come, and one tries again.
func TestBrowserExerciseOfAClass(t *testing.T) {
	s, b, axe := openSite(t), startBrowser(t), axeSource(t)
	s.bench("bay-1", 0, 3)
	const password = "a box of spare fuses"
	// The first is to be an instructor.
	if err := errors.Join(s.access.Add(t.Context(), "mira", password, access.Instructor), s.access.Add(t.Context(), "cara", password, access.Apprentice),
		s.access.Add(t.Context(), "dan", password, access.Apprentice)); err != nil {
		t.Fatal(err)
	}
	pictures := t.ArtifactDir()
	tabs := map[string]*tab{}
	for _, name := range []string{"mira", "cara", "dan"} {
		x := b.tab(t)
		x.size(map[string]int64{"mira": 1920, "cara": 1024, "dan": 390}[name])
		x.theme(themes()[0])
		if name == "dan" {
			do(x, func(ctx context.Context, t *chromedp.Target) (cdp.Empty, error) {
				return cdp.Call(ctx, t, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
			})
		}
		x.cookie(s.signedInAs(name, password), s.at("/"))
		tabs[name] = x
	}
	mira, cara, dan := tabs["mira"], tabs["cara"], tabs["dan"]

	waitUntil(t, "the bench is heard", func() bool {
		mira.open(s.at("/class"))
		return eval[bool](mira, `!!document.querySelector("[name=bench] option")`)
	})
	mira.fill(map[string]string{"exercise": "after-key-off"})
	mira.submit("exercise")
	mira.wait("the sitting", `location.pathname === "/class/1"`)

	for _, x := range []*tab{cara, dan} {
		x.open(s.at("/"))
		x.wait("only the exercises", `location.pathname === "/exercises" && !document.querySelector("nav a[href='/history']")`)
		x.press("Begin with After key-off: at once, later, never")
		x.wait("the cautions", `!!document.querySelector("[name=read]")`)
		if x == cara { // axe is a script
			judged(t, x, axe, filepath.Join(pictures, "cautions"))
		}
		x.tick("read")
		x.press("Show the questions")
		x.wait("the questions", `!!document.querySelector("[name=answer-radio]")`)
		x.fill(map[string]string{"answer-radio": "at once", "answer-wipers": "12 V"})
		x.press("Hand in: nothing can be changed after that")
		x.wait("what is not clear is asked back", `document.querySelector("[role=alert]") && document.querySelector("[name=answer-radio]").value === "at once"`)
		if x == cara {
			judged(t, x, axe, filepath.Join(pictures, "asked-back"))
		}
		x.fill(map[string]string{"answer-wipers": "1,0 s"})
		x.choose("answer-lamps-do", "accessory")
	}
	mira.wait("the instructor's page follows by itself", `document.body.textContent.includes("2 answers so far")`)
	for _, x := range []*tab{cara, dan} {
		waitUntil(t, "the key is off and the answers are taken", func() bool {
			eval[string](x, `document.body.dataset.before = "handing in"`) // this page is not yet an answer
			x.press("Hand in: nothing can be changed after that")
			x.wait("an answer to handing in", `!document.body.dataset.before && document.readyState === "complete" && (!!document.querySelector("[role=alert]") || document.body.textContent.includes("Your answers are handed in") || document.body.textContent.includes("marks"))`)
			return !eval[bool](x, `!!document.querySelector("[role=alert]")`)
		})
	}
	cara.wait("the marks come by themselves", `document.body.textContent.includes("of 14 marks") && !!document.querySelector("figure svg")`)
	waitUntil(t, "without scripts the marks come when one looks again", func() bool {
		dan.open(eval[string](dan, `document.querySelector("main a.button").href`))
		return eval[bool](dan, `document.body.textContent.includes("of 14 marks")`)
	})
	judged(t, cara, axe, filepath.Join(pictures, "cara-marked"))
	dan.picture(filepath.Join(pictures, "dan-marked.png"))
	onPaper(t, cara, filepath.Join(pictures, "cara-marked"), "cara", "Handed in", "after-key-off, attempt 1", "of 14 marks", "bay-1, key cycle", "You wrote: at once", "Next time:")
	mira.wait("both are marked", `[...document.querySelectorAll("tbody td")].filter((c) => c.textContent.includes("of 14 marks")).length === 2`)
	judged(t, mira, axe, filepath.Join(pictures, "class"))

	if !eval[bool](mira, `fetch(location.href).then((r) => r.text()).then((text) => new DOMParser().parseFromString(text, "text/html").getElementById("main").innerHTML === document.getElementById("main").innerHTML)`) {
		t.Error("with nothing new the page is another, and would be shown anew without end")
	}

	// Another attempt.
	mira.follow("cara")
	mira.wait("cara's sheet", `!!document.querySelector("[name=comment]")`)
	mira.fill(map[string]string{"comment": "Watch the lamps to the end."})
	mira.tick("again")
	mira.press("Keep it")
	mira.wait("kept", `document.body.textContent.includes("From mira")`)
	cara.open(s.at("/exercises"))
	cara.press("Try again with After key-off: at once, later, never")
	cara.wait("the cautions again", `!!document.querySelector("[name=read]")`)
	for name, x := range tabs { // each by itself
		for _, said := range x.troubles() {
			if !strings.Contains(said, "422") { // forms that came back
				t.Errorf("%s: %s", name, said)
			}
		}
	}
}

// marksWidth is that of A4 between the sheet's margins of 12 mm, 186 mm at 96 px an inch.
const marksWidth = 703

// onPaper holds marks to what paper is for: facts, answers and lines to sign within the
// sheet, nothing to press, on no more than two sheets for so few questions.
func onPaper(t *testing.T, x *tab, name string, wants ...string) {
	t.Helper()
	width := eval[int64](x, "window.innerWidth")
	x.theme(themes()[3])
	x.size(marksWidth)
	text := eval[string](x, "document.body.innerText")
	for _, want := range append(wants, "Apprentice", "Instructor", "Date") {
		if !strings.Contains(text, want) {
			t.Errorf("no %q on paper: %s", want, text)
		}
	}
	const visible = `.filter((e) => e.checkVisibility({visibilityProperty: true}))`
	for _, e := range eval[[]string](x, `[...document.querySelectorAll("nav, .top, footer, a, button, input, textarea, summary")]`+visible+`.map((e) => e.outerHTML.slice(0, 100))`) {
		t.Errorf("on paper there is %s", e)
	}
	for _, e := range eval[[]string](x, `[...document.querySelectorAll("main *")]`+visible+`.filter((e) => e.getBoundingClientRect().right > window.innerWidth + 0.5).map((e) => e.outerHTML.slice(0, 100))`) {
		t.Errorf("beside the paper is %s", e)
	}
	if n := eval[int](x, `[...document.querySelectorAll(".signatures dd")]`+visible+`.filter((e) => parseFloat(getComputedStyle(e).borderBottomWidth) >= 1 && e.getBoundingClientRect().width > 80).length`); n != 3 {
		t.Errorf("%d lines to sign, want 3", n)
	}
	for paper, size := range map[string]chromedp.PaperSize{"a4": chromedp.PaperA4, "letter": chromedp.PaperLetter} { // each by itself
		data := do(x, chromedp.PrintToPDF(chromedp.PDFPaper(size)))
		x.keep(name+"-"+paper+".pdf", data)
		if n := len(regexp.MustCompile(`/Type /Page\b`).FindAll(data, -1)); n < 1 || n > 2 {
			t.Errorf("%d sheets of %s", n, paper)
		}
	}
	x.theme(themes()[0])
	x.size(width)
}

// judged holds a page as it stands to what every page is held to, and keeps its picture.
func judged(t *testing.T, x *tab, axe, name string) {
	t.Helper()
	width := eval[int64](x, "window.innerWidth")
	for _, f := range x.faults(axe, themes()[0], width) {
		t.Errorf("%s: %s", filepath.Base(name), f)
	}
	x.picture(name + ".png")
}

// press clicks a button by its words, once it is there.
func (x *tab) press(words string) {
	x.t.Helper()
	at := fmt.Sprintf(`[...document.querySelectorAll("main button")].find((a) => a.textContent.trim() === %q)`, words)
	x.wait("a button "+words, at)
	eval[chromedp.Void](x, at+".click()")
}

// tick ticks a box by its name.
func (x *tab) tick(name string) {
	x.t.Helper()
	at := fmt.Sprintf(`document.querySelector("main [name=%s]")`, name)
	x.wait("a box "+name, at)
	eval[chromedp.Void](x, at+".checked = true")
}

// choose presses one of the answers of a question.
func (x *tab) choose(name, value string) {
	x.t.Helper()
	at := fmt.Sprintf(`document.querySelector("main [name=%s][value=%s]")`, name, value)
	x.wait("a choice "+value, at)
	eval[chromedp.Void](x, at+".click()")
}

// signedInAs is the cookie of a user.
func (s *site) signedInAs(name, password string) *http.Cookie {
	s.t.Helper()
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	r, err := c.PostForm(s.at("/sign-in"), url.Values{"name": {name}, "password": {password}, "next": {"/"}})
	if err != nil {
		s.t.Fatal(err)
	}
	defer r.Body.Close()
	if len(r.Cookies()) != 1 {
		s.t.Fatalf("%s could not sign in: %s", name, r.Status)
	}
	return r.Cookies()[0]
}

// The page of the simulated meter is held to what every page is, at every width, and its
// number follows by itself.
func TestBrowserPractice(t *testing.T) {
	const file = "../../testdata/exercises/by-key.toml"
	e, box, err := readExercise(file)
	if err != nil {
		t.Fatal(err)
	}
	s, axe := openSite(t), axeSource(t)
	p, err := newPractice(file, &e, &box, s.broker.URL())
	if err != nil {
		t.Fatal(err)
	}
	s.end()
	s.options.practice = p
	s.again()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- daemon.Run(ctx, p.options) }()
	defer func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	x := startBrowser(t).tab(t)
	x.size(1024)
	x.open(s.at("/practice?black=minus&red=t3%2Flower"))
	x.wait("nothing there", `/^-?0\.0\d V$/.test(document.getElementById("reading").textContent)`)
	x.fill(map[string]string{"red": "plus"})
	eval[bool](x, `document.querySelector("[name=red]").dispatchEvent(new Event("change", {bubbles: true}))`)
	x.wait("a tip is held where it is chosen", `/^1[1-5]\.\d\d V$/.test(document.getElementById("reading").textContent) && document.getElementById("m-red-kept").value === "plus"`)
	x.open(s.at("/practice?black=minus&red=t3%2Flower"))
	p.Turn(protocol.PositionAccessory)
	x.wait("the number follows", `/^12\.\d\d V$/.test(document.getElementById("reading").textContent)`)
	for _, m := range themes() {
		x.theme(m)
		for _, width := range widths(m) {
			x.size(width)
			for _, f := range x.faults(axe, m, width) {
				t.Errorf("%s, %d px: %s", m.name, width, f)
			}
			x.picture(filepath.Join(t.ArtifactDir(), fmt.Sprintf("practice-%d-%s.png", width, m.name)))
		}
	}
	for _, said := range x.troubles() {
		t.Error(said)
	}
}
