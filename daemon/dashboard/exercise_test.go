package dashboard

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"keyturn/daemon/dashboard/access"
	"keyturn/daemon/records"
	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

// exerciseFile reads an exercise that the project ships, with its box.
func exerciseFile(t testing.TB, name, box string) Exercise {
	t.Helper()
	var out Exercise
	for to, file := range map[*[]byte]string{&out.Text: "exercises/" + name, &out.Box: "boxes/" + box} { // each by itself
		text, err := os.ReadFile(filepath.Join("..", "..", "testdata", file+".toml"))
		if err != nil {
			t.Fatal(err)
		}
		*to = text
	}
	return out
}

// classroom is a dashboard with an exercise released on a bench.
type classroom struct {
	t       *testing.T
	pages   *dashboard
	handler http.Handler
	records *records.Store
	state   *State
	ada     *browser // the instructor
	sitting string   // its address
	seq     int64
	at      time.Duration // since the bench's boot
}

// classBench is the bench whose key cycle the tests have.
const classBench = "demo"

func newClassroom(t *testing.T) *classroom {
	a, s := newAccess(t, access.Options{}, true)
	must(t, a.Add(t.Context(), "dan", secret, Apprentice))
	c := &classroom{t: t, records: s, state: newState(t)}
	done := make(chan struct{})
	close(done) // streams end at once
	d, err := build(Options{State: c.state, Records: s, Jobs: s, Access: a, Done: done, Hosts: Loopback(),
		Exercises: []Exercise{exerciseFile(t, "after-key-off", "parcel-12")}})
	if err != nil {
		t.Fatal(err)
	}
	c.pages, c.handler = d, d.guard(d.mux)
	c.key(protocol.PositionOff)
	c.ada = newBrowser(c.handler).as(t, "ada")
	w := c.ada.ask(http.MethodPost, "/class", url.Values{"exercise": {"after-key-off"}, "bench": {classBench}})
	if c.sitting = w.Header().Get("Location"); w.Code != http.StatusSeeOther || !strings.HasPrefix(c.sitting, "/class/") {
		t.Fatalf("release: %d %s", w.Code, w.Body)
	}
	return c
}

// truth is in no byte that an apprentice gets before he has answered. No page has these
// figures by chance.
var truth = []string{"13.579", "13.58", "6.789", "6.79", "97531", "1357986420"}

// key lets the bench say where its key is, with volts that are the truth.
func (c *classroom) key(p protocol.Position) {
	c.at += time.Second
	d := described(classBench, 12)
	now := nowOf(classBench, c.at, 12)
	now.Key.Position = p
	for i := range now.Leads {
		now.Leads[i].V = volts(13.579)
	}
	take(c.t, c.state, presence(classBench, 1e9, protocol.Online), d, now)
}

// turn lets the bench measure a key cycle. Its figures are the truth.
func (c *classroom) turn(final bool, begin int) {
	y := protocoltest.Cycle(c.t, "../report/testdata/whole.json")
	c.seq++
	y.Bench, y.Seq, y.Stream, y.Final, y.Revision = classBench, c.seq, "s-1", final, int(c.seq)
	y.ID = fmt.Sprintf("%s-1357986420%d", y.Boot[:8], begin)
	if !final {
		y.Ended = ""
	}
	for i := range y.Slots {
		for k := range y.Slots[i].Leads {
			for n := range y.Slots[i].Leads[k].Crank {
				if g := y.Slots[i].Leads[k].Crank[n].Sag; g != nil {
					g.MinV = 6.789
				}
			}
		}
	}
	_, payload := wire(c.t, y)
	if a, err := c.records.Add(context.Background(), payload); err != nil || a.New != 1 {
		c.t.Fatalf("%+v, %v", a, err)
	}
	take(c.t, c.state, y)
}

// begin signs an apprentice in and brings him to his questions.
func (c *classroom) begin(name string) (b *browser, sheet string) {
	c.t.Helper()
	b = newBrowser(c.handler).as(c.t, name)
	sheet = b.go303(c.t, strings.Replace(c.sitting, "/class/", "/exercises/", 1), url.Values{})
	if w := b.ask(http.MethodPost, sheet+"/cautions", url.Values{}); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "tick that you have") {
		c.t.Errorf("cautions that were not read: %d", w.Code)
	}
	if w := b.ask(http.MethodPost, sheet, url.Values{"answer-radio": {"at once"}}); w.Code != http.StatusConflict {
		c.t.Errorf("answers before the cautions: %d", w.Code)
	}
	b.go303(c.t, sheet+"/cautions", url.Values{"read": {"yes"}})
	return b, sheet
}

// go303 sends a form that is taken, and returns where it leads.
func (b *browser) go303(t *testing.T, path string, form url.Values) string {
	t.Helper()
	w := b.ask(http.MethodPost, path, form)
	if w.Code != http.StatusSeeOther {
		t.Fatalf("POST %s: %d %s", path, w.Code, w.Body)
	}
	return w.Header().Get("Location")
}

func (b *browser) page(t *testing.T, path string) string {
	t.Helper()
	w := b.get(path)
	_, text := answer(t, w, http.StatusOK)
	return text
}

var right = url.Values{"answer-radio": {"at once"}, "answer-wipers": {"1,0 s"}, "answer-lamps": {"10 min"}, "answer-socket": {"stays on"}, "answer-lamps-do": {"accessory"}}

func withDo(v url.Values, do string) url.Values {
	out := url.Values{"do": {do}}
	for k, x := range v { // each by itself
		out[k] = x
	}
	return out
}

func TestAnExerciseFromReleaseToRetry(t *testing.T) {
	c := newClassroom(t)
	cara, sheet := c.begin("cara")
	if again := cara.go303(t, strings.Replace(c.sitting, "/class/", "/exercises/", 1), url.Values{}); again != sheet {
		t.Error("a sheet that is not handed in is begun twice")
	}
	has(t, "the exercises", cara.page(t, "/exercises"), "After key-off", "Go on", "0 answers so far")

	// A hint, and an answer that could mean two things: nothing that was typed is lost.
	to := cara.go303(t, sheet, url.Values{"answer-radio": {"at  once"}, "answer-wipers": {"soon"}, "hint": {"lamps"}})
	if to != sheet+"#q-lamps" {
		t.Errorf("after a hint: %s", to)
	}
	if doc, _ := answer(t, cara.get(sheet), http.StatusOK); attr(all(doc, "button", "name")[0], "value") != "save" {
		t.Error("Enter in a field does something else than keep the answers")
	}
	has(t, "with a hint", cara.page(t, sheet), `value="at once"`, `value="soon"`, "It is longer than you think")
	w := cara.ask(http.MethodPost, sheet, url.Values{"answer-wipers": {"12 V"}, "do": {"hand-in"}})
	_, text := answer(t, w, http.StatusUnprocessableEntity)
	has(t, "what is not clear", text, "Question 2", `value="12 V"`, `value="at once"`, "Your answers are kept, but not handed in yet")
	_, text = answer(t, cara.ask(http.MethodPost, sheet, url.Values{"answer-wipers": {"12 V"}, "answer-lamps-do": {"it glows"}, "do": {"save"}}), http.StatusOK)
	has(t, "kept though unclear", text, "Your answers are kept. Before handing in, say these more clearly", "Question 2", "Question 5", `value="12 V"`)
	cara.go303(t, sheet, url.Values{"answer-wipers": {"1 s"}, "answer-lamps-do": {"live with ignition on"}, "do": {"save"}})
	has(t, "one of few answers, however it was written", cara.page(t, sheet), `name="answer-lamps-do" value="ignition" checked>`, "not known yet", "some time after key-off")

	// Handing in wants the key off and the bench heard.
	c.key(protocol.PositionOn)
	w = cara.ask(http.MethodPost, sheet, withDo(right, "hand-in"))
	if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "Turn the key to off first") {
		t.Errorf("with the key on: %d", w.Code)
	}
	c.turn(false, 1) // a key cycle that has begun before
	c.key(protocol.PositionOff)
	cara.go303(t, sheet, withDo(right, "hand-in"))
	if w := cara.ask(http.MethodPost, sheet, url.Values{"answer-radio": {"10 s"}}); w.Code != http.StatusConflict {
		t.Errorf("after handing in: %d", w.Code)
	}
	c.turn(true, 1)
	has(t, "waiting", cara.page(t, sheet), "Your answers are handed in", "You wrote: <bdi>at once</bdi>")
	c.turn(false, 2)
	has(t, "while it is measured", cara.page(t, sheet), "Your answers are handed in")
	c.turn(true, 2)
	text = cara.page(t, sheet)
	has(t, "marked", text, "as answered", "of 14 marks", "<svg", "Next time", "It is longer than you think")
	if strings.Contains(text, "/cycle/") {
		t.Error("an apprentice is led to a page that is not his")
	}
	for _, slot := range []string{"f01", "f03", "f04", "f09"} {
		has(t, "the asked slots", text, `<th scope="row">`+slot+`</th>`)
	}
	if strings.Contains(text, `<th scope="row">f02</th>`) {
		t.Error("a slot that was not asked of is shown")
	}

	// The instructor sees both sheets, comments, and allows another attempt.
	dan, danSheet := c.begin("dan")
	if w := dan.get(sheet); w.Code != http.StatusNotFound {
		t.Errorf("another's sheet: %d", w.Code)
	}
	has(t, "the class", c.ada.page(t, "/class"), "1 being written, 1 marked")
	has(t, "the sitting", c.ada.page(t, c.sitting), "<bdi>cara</bdi>", "<bdi>dan</bdi>", "of 14 marks")
	has(t, "for the instructor", c.ada.page(t, sheet), "The whole key cycle", "Another attempt is allowed")
	has(t, "what is not handed in", c.ada.page(t, danSheet), "0 answers so far")
	if w := c.ada.ask(http.MethodPost, danSheet, withDo(right, "hand-in")); w.Code != http.StatusConflict {
		t.Errorf("the instructor hands in for somebody: %d", w.Code)
	}
	begin := strings.Replace(c.sitting, "/class/", "/exercises/", 1)
	if w := cara.ask(http.MethodPost, begin, url.Values{}); w.Code != http.StatusConflict {
		t.Errorf("another attempt that is not allowed: %d", w.Code)
	}
	to, _, _ = strings.Cut(c.ada.go303(t, sheet+"/comment", url.Values{"comment": {"Sit down."}}), "#")
	has(t, "a comment that is kept", c.ada.page(t, to), "<bdi>Kept.</bdi>")
	c.ada.go303(t, sheet+"/comment", url.Values{"comment": {"Sit down\nbefore you look."}, "again": {"yes"}})
	has(t, "kept", c.ada.page(t, to), "Kept. cara may try again.", "Answered: <bdi>at once</bdi>")
	if strings.Contains(cara.page(t, to), "may try again") {
		t.Error("an apprentice is told what the instructor's form did")
	}
	has(t, "commented", cara.page(t, sheet), "From <bdi>ada</bdi>", "Sit down\nbefore you look.")
	second := cara.go303(t, begin, url.Values{})
	if second == sheet {
		t.Error("the second attempt is the first")
	}
	has(t, "two attempts", cara.page(t, "/exercises"), `<td data-head="Attempt">1</td>`, `<td data-head="Attempt">2</td>`, "cautions to be read")
	has(t, "progress", c.ada.page(t, "/progress?name=cara"), `<td data-head="Attempt">2</td>`, "of 14 marks")
	csv := c.ada.get("/class/marks.csv").Body.String()
	if lines := strings.Split(strings.TrimSpace(csv), "\n"); !strings.HasPrefix(lines[1], "cara,after-key-off,") || strings.Contains(csv, "dan") {
		t.Errorf("the marks as CSV: %q", csv)
	}

	// Ended: what is not handed in is not taken any more, and nothing of it is lost.
	c.ada.go303(t, c.sitting+"/end", url.Values{})
	w = dan.ask(http.MethodPost, danSheet, withDo(right, "hand-in"))
	if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "has ended this exercise") {
		t.Errorf("handed in after the end: %d", w.Code)
	}
	// A user who is removed takes his answer sheets along.
	c.ada.go303(t, "/user/remove", url.Values{"name": {"cara"}})
	if text := c.ada.page(t, c.sitting); strings.Contains(text, "cara") {
		t.Error("a removed apprentice is still in the sitting")
	}
	c.ada.go303(t, c.sitting+"/delete", url.Values{})
	if w := c.ada.get(danSheet); w.Code != http.StatusNotFound {
		t.Errorf("a sheet of a deleted sitting: %d", w.Code)
	}
}

// leaks asks for every address that there is and that an apprentice could think of, and
// returns those whose answers hold the truth.
func (c *classroom) leaks(b *browser, sheet string) (out []string) {
	bytes := 0
	ids := []string{"x", "1", "2", classBench, "lead-01", "f01"}
	var paths []string
	for _, pattern := range patterns(c.pages.mux) {
		_, path := address(pattern)
		paths = append(paths, path)
		method, pattern, _ := strings.Cut(pattern, " ")
		for _, id := range ids {
			p := regexp.MustCompile(`\{[a-z]+\}`).ReplaceAllString(strings.ReplaceAll(pattern, "{$}", ""), id)
			paths = append(paths, method+" "+p)
		}
	}
	for _, y := range c.cycles() {
		for _, page := range []string{"cycle", "sheet"} {
			paths = append(paths, fmt.Sprintf("/%s/%s/%s", page, classBench, y))
		}
		paths = append(paths, fmt.Sprintf("/compare?a-bench=%s&a=%s&b-bench=%s&b=%s", classBench, y, classBench, y))
	}
	paths = append(paths, "/events?bench="+classBench, "/events?bench="+classBench+"&wave=lead-01", "/history?bench="+classBench, "/bench/"+classBench+"?show=lead-01",
		"/hand/"+classBench+"/lead-01", sheet, sheet+"?done=saved", "/exercises?bench="+classBench, "/nowhere", "/%2e%2e/cycle", "/answers/../history")
	for _, p := range paths {
		methods := []string{"GET", "HEAD", "POST", "OPTIONS"}
		if m, path, both := strings.Cut(p, " "); both {
			methods, p = []string{m}, path
		}
		if p == "/sign-out" || strings.HasSuffix(p, "/sign-in") {
			methods = []string{"GET"}
		}
		for _, m := range methods {
			w := b.ask(m, p, url.Values{})
			text := fmt.Sprint(w.Result().Header) + w.Body.String()
			bytes += len(text)
			if slices.ContainsFunc(truth, func(x string) bool { return strings.Contains(text, x) }) {
				out = append(out, m+" "+p)
			}
		}
	}
	if bytes < 100_000 {
		c.t.Errorf("only %d bytes were sent: too little to have asked for everything", bytes)
	}
	return out
}

func (c *classroom) cycles() (out []string) {
	all, err := c.records.Cycles(c.t.Context(), records.Filter{})
	if err != nil {
		c.t.Fatal(err)
	}
	for _, y := range all {
		out = append(out, y.ID)
	}
	return out
}

// No byte that an apprentice is sent before he has answered holds what the bench
// measured, whatever he asks for, though another one has been marked.
func TestNothingIsToldBeforeTheAnswers(t *testing.T) {
	c := newClassroom(t)
	cara, sheet := c.begin("cara")
	dan, danSheet := c.begin("dan")
	if got := c.leaks(cara, sheet); got != nil {
		t.Errorf("with nothing measured: %q", got)
	}
	dan.go303(t, danSheet, withDo(right, "hand-in"))
	c.turn(true, 1)
	c.key(protocol.PositionOff)
	if text := dan.page(t, danSheet); !strings.Contains(text, "6.79") {
		t.Fatalf("who has answered is not shown the figures that the others must not see: %s", text)
	}
	if got := c.leaks(cara, sheet); got != nil {
		t.Errorf("after another one was marked: %q", got)
	}
	if got := c.leaks(cara, danSheet); got != nil {
		t.Errorf("asking for another's answer sheet: %q", got)
	}
	// The same walk finds a leak where there is one: an instructor is shown all of it.
	if got := c.leaks(c.ada, sheet); len(got) < 5 {
		t.Errorf("the walk finds %d leaks only where everything is shown", len(got))
	}
}

// A bench whose leads do not reach what is asked of is refused, and says which; so is one
// on which another open exercise would tell the answers.
func TestReleaseWantsABenchThatFits(t *testing.T) {
	c := newClassroom(t)
	take(t, c.state, presence("small", 1e9, protocol.Online), described("small", 3), nowOf("small", 2e9, 3))
	for bench, want := range map[string]string{"small": "is in f04, f09", "none": "Choose a bench that is heard", classBench: "This exercise is already released on this bench."} { // each by itself
		w := c.ada.ask(http.MethodPost, "/class", url.Values{"exercise": {"after-key-off"}, "bench": {bench}})
		if _, text := answer(t, w, http.StatusUnprocessableEntity); !strings.Contains(text, want) {
			t.Errorf("%s: no %q in %s", bench, want, text)
		}
	}
	w := c.ada.ask(http.MethodPost, "/class", url.Values{"exercise": {"after-key-off"}, "bench": {classBench}})
	has(t, "the way to the open one", w.Body.String(), `href="`+c.sitting+`">Show the one that is released`)
	c.pages.exercises = append(c.pages.exercises, another(t))
	w = c.ada.ask(http.MethodPost, "/class", url.Values{"exercise": {"another"}, "bench": {classBench}})
	has(t, "another that asks of the same", w.Body.String(), "here f01, cannot be open at once", "the marks of one give away the other: end “After key-off: at once, later, never” first", `href="`+c.sitting+`"`)
	c.ada.go303(t, c.sitting+"/end", url.Values{})
	c.ada.go303(t, "/class", url.Values{"exercise": {"after-key-off"}, "bench": {classBench}})
}

// another is an exercise that asks of the same slots as the one that is released.
func another(t *testing.T) exercise {
	t.Helper()
	f := exerciseFile(t, "after-key-off", "parcel-12")
	e, err := readExercise(Exercise{bytes.Replace(f.Text, []byte(`id = "after-key-off"`), []byte(`id = "another"`), 1), f.Box})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// The instructor sees which benches fit an exercise before it is released, and reads what
// it asks, its hints and its planted faults.
func TestAnExerciseIsReadBeforeItIsReleased(t *testing.T) {
	c := newClassroom(t)
	joint, err := readExercise(exerciseFile(t, "bad-joint", "trainer-8"))
	if err != nil {
		t.Fatal(err)
	}
	c.pages.exercises = append(c.pages.exercises, joint)
	has(t, "the class", c.ada.page(t, "/class"), `href="/class/exercise/after-key-off"`, "After key-off: at once, later, never: fits demo", ": no bench fits", `<td data-head="Benches that fit">demo</td>`, "none: on demo: ")
	has(t, "the exercise", c.ada.page(t, "/class/exercise/after-key-off"), "How long after key-off does slot f09 go off?", "It is longer than you think. Sit down. (takes 1 mark)", "Which kind of circuit is slot f09?", "Cautions, acknowledged first")
	has(t, "its faults", c.ada.page(t, "/class/exercise/bad-joint"), "Planted faults", "series resistance")
	if w := c.ada.get("/class/exercise/none-such"); w.Code != http.StatusNotFound {
		t.Errorf("none such: %d", w.Code)
	}
	if w := newBrowser(c.handler).as(t, "cara").get("/class/exercise/bad-joint"); w.Code != http.StatusForbidden {
		t.Errorf("for an apprentice: %d", w.Code)
	}
}
