package main

import (
	"bufio"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"keyturn/daemon/config"
)

// apprentice is somebody at the pages of a practice.
type apprentice struct {
	t  *testing.T
	at string // the dashboard's address

	mu    sync.Mutex
	lines []string // what the terminal said
}

// hear keeps what the terminal says, and finds the address.
func (a *apprentice) hear(said io.Reader) {
	lines, address := bufio.NewScanner(said), make(chan string, 1)
	go func() {
		for lines.Scan() {
			if m := regexp.MustCompile(`(http://\S+)/exercises`).FindStringSubmatch(lines.Text()); m != nil {
				address <- m[1]
			}
			a.mu.Lock()
			a.lines = append(a.lines, lines.Text())
			a.mu.Unlock()
		}
	}()
	a.at = <-address
}

// heard waits until the terminal has said something.
func (a *apprentice) heard(what string) {
	a.t.Helper()
	waitUntil(a.t, "the terminal says "+what, func() bool {
		a.mu.Lock()
		defer a.mu.Unlock()
		return slices.ContainsFunc(a.lines, regexp.MustCompile(what).MatchString)
	})
}

func (a *apprentice) post(path string, form url.Values) (to, text string) {
	a.t.Helper()
	r, err := http.PostForm(a.at+path, form)
	if err != nil {
		a.t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK && r.StatusCode != http.StatusUnprocessableEntity {
		a.t.Fatalf("POST %s: %s %v", path, r.Status, err)
	}
	return r.Request.URL.Path, string(b)
}

// reads is what the meter shows of a test point, in volts.
func (a *apprentice) reads(point string) (v float64) {
	a.t.Helper()
	_, text := get(a.t, a.at+"/practice?black=minus&red="+point)
	m := regexp.MustCompile(`id="reading">(-?\d+\.\d\d) V<`).FindStringSubmatch(text)
	if m == nil {
		a.t.Fatalf("the meter shows no volts of %s", point)
	}
	v, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		a.t.Fatal(err)
	}
	return v
}

// handIn waits until the answers are taken.
func (a *apprentice) handIn(sheet string, answers url.Values) {
	a.t.Helper()
	answers.Set("do", "hand-in")
	waitUntil(a.t, "the bench has seen the key go off, and the answers are taken", func() bool {
		_, text := a.post(sheet, answers)
		return strings.Contains(text, "Your answers are handed in")
	})
}

// marked waits for the marks, and wants all of them.
func (a *apprentice) marked(sheet, want string, answers url.Values) {
	a.t.Helper()
	text := ""
	waitUntil(a.t, "the marks", func() bool {
		_, text = get(a.t, a.at+sheet)
		return strings.Contains(text, `<ol class="given">`) && strings.Contains(text, "<svg class=\"kt-cycle\"")
	})
	if !strings.Contains(text, want) || strings.Contains(text, "not marked") {
		a.t.Errorf("answered %v: %s", answers, regexp.MustCompile(`(?s)<ol class="given">.*</ol>`).FindString(text))
	}
}

// stay lets the key stay where it is for two seconds: nobody reads a meter in less.
func (a *apprentice) stay() {
	at := time.Now()
	waitUntil(a.t, "two seconds are over", func() bool { return time.Since(at) > 2*time.Second })
}

// volts is whether the meter shows the supply's voltage at a test point.
func (a *apprentice) volts(point string) bool {
	a.t.Helper()
	_, text := get(a.t, a.at+"/practice?black=minus&red="+point)
	return regexp.MustCompile(`id="reading">1[1-5]\.\d\d V<`).MatchString(text)
}

// turn turns the key and waits until the meter shows it, at a point that tells.
func (a *apprentice) turn(position, point string, live bool) {
	a.t.Helper()
	a.post("/practice", url.Values{"key": {position}})
	waitUntil(a.t, "the meter shows the key in "+position, func() bool { return a.volts(point) == live })
}

// practise begins an exercise without a bench.
func practise(t *testing.T, exercise string) *apprentice {
	t.Helper()
	c := exec.Command(keyturn(t), "demo", "--exercise", "../../testdata/exercises/"+exercise+".toml", "--listen", "127.0.0.1:0")
	said, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Process.Signal(os.Interrupt); err != nil {
			t.Error(err)
		}
		if err := c.Wait(); err != nil {
			t.Error(err)
		}
	})
	a := &apprentice{t: t}
	a.hear(said)
	return a
}

// An exercise without a bench, as the terminal tells to do it: answers that are read off the
// simulated meter are right by what the bench measures afterwards.
func TestPracticeFromMeterToMarks(t *testing.T) {
	a := practise(t, "by-key")
	sheet, _ := a.post("/exercises/1", nil)
	a.post(sheet+"/cautions", url.Values{"read": {"yes"}})

	waitUntil(t, "the meter shows the supply", func() bool { return a.volts("plus") })
	feeds := map[string]string{"lamp-a": "t1/upper", "lamp-b": "t2/upper", "motor": "t3/lower", "solenoid": "t5/upper", "dynamo": "t7/upper", "empty": "t8/upper"}
	seen := map[string]string{} // of each question, live or not in off, accessory, on and running
	look := func() {
		for q, point := range feeds { // each by itself
			if a.volts(point) {
				seen[q] += "1"
			} else {
				seen[q] += "0"
			}
		}
	}
	look()
	a.turn("accessory", "t3/lower", true)
	look()
	a.turn("on", "t2/upper", true)
	look()
	a.turn("running", "t7/upper", true)
	look()
	a.turn("off", "t7/upper", false)
	answers := url.Values{"answer-switch": {"works from another switch"}, "do": {"hand-in"}}
	words := map[string]string{"1111": "permanent", "0111": "accessory", "0011": "ignition", "0001": "engine running", "0000": "none"}
	for q, s := range seen { // each by itself
		answers.Set("answer-"+q, words[s])
	}
	answers.Set("answer-solenoid", "start only") // the dip is too short for this meter
	a.handIn(sheet, answers)

	for _, x := range []struct {
		key, point string
		live       bool
	}{{"accessory", "t3/lower", true}, {"on", "t2/upper", true}} {
		a.turn(x.key, x.point, x.live)
	}
	// A switch is a person's: what moves within 0.35 s of the key is taken for its doing.
	for _, closed := range []bool{true, false} {
		at := time.Now()
		waitUntil(t, "a second is over", func() bool { return time.Since(at) > time.Second })
		a.post("/practice", url.Values{"operate": {"switch-t6"}})
		waitUntil(t, "the switch is operated", func() bool { return a.volts("t6/upper") == closed })
	}
	a.turn("start", "t3/lower", false)
	a.turn("running", "t7/upper", true)
	a.heard("key: on, engine running")
	a.turn("off", "t7/upper", false)
	a.marked(sheet, "13 of 13 marks", answers)
}

// Volts in the key positions, read off the simulated meter, are right by the volts that the
// bench measures afterwards.
func TestPracticeOfVolts(t *testing.T) {
	t.Parallel()
	a := practise(t, "first-volts")
	sheet, _ := a.post("/exercises/1", nil)
	a.post(sheet+"/cautions", url.Values{"read": {"yes"}, "meter": {"yellow"}})
	waitUntil(t, "the meter shows the supply", func() bool { return a.volts("t1/upper") })
	live := func(point string) []string { return []string{fmt.Sprintf("live %.2f V", a.reads(point))} }
	answers := url.Values{"answer-lamp-a-off": live("t1/upper"), "answer-lamp-a-side": {"upper"}}
	if a.reads("t2/upper") < 0.1 {
		answers.Set("answer-lamp-b-off", "no volts")
	}
	a.turn("on", "t2/upper", true)
	a.stay()
	answers["answer-lamp-b-on"] = live("t2/upper")
	a.turn("off", "t2/upper", false)
	a.handIn(sheet, answers)
	a.stay()
	a.turn("on", "t2/upper", true)
	a.stay()
	a.stay()
	a.turn("off", "t2/upper", false)
	a.marked(sheet, "8 of 8 marks", answers)
}

// Every exercise that is shipped can be practised, its faults and all: a back-feed comes from
// a slot of the board.
func TestEveryExerciseCanBePractised(t *testing.T) {
	files, err := filepath.Glob("../../testdata/exercises/*.toml")
	if err != nil || len(files) < 6 {
		t.Fatalf("%d exercises, %v", len(files), err)
	}
	for _, file := range files {
		e, box, err := readExercise(file)
		if err != nil {
			t.Fatal(err)
		}
		p, err := newPractice(file, &e, &box, "tcp://127.0.0.1:1")
		if err != nil {
			t.Errorf("%s: %v", file, err)
			continue
		}
		for _, f := range e.Faults {
			s := boardSlots(&e, &box, p.slots)[slices.Index(p.slots, f.Slot)]
			if f.Kind == config.BackFeed && (s.FedBy == 0 || p.slots[s.FedBy-1] != f.From) {
				t.Errorf("%s: the back-feed of %s comes from nowhere", file, f.Slot)
			}
		}
	}
}

// What nobody may touch has test points, and no figure.
func TestPracticeSaysHandsOff(t *testing.T) {
	const file = "../../testdata/exercises/camera-feed.toml"
	e, box, err := readExercise(file)
	if err != nil {
		t.Fatal(err)
	}
	p, err := newPractice(file, &e, &box, "tcp://127.0.0.1:1")
	if err != nil {
		t.Fatal(err)
	}
	refused := 0
	for _, x := range p.TestPoints() {
		slot, _, _ := strings.Cut(x.ID, "/")
		if box.Slot(slot) == nil || p.refused(slot) == "" {
			continue
		}
		refused++
		if figure, _, why := p.Read(x.ID, minusPoint); figure != "" || !strings.Contains(why, "Hands off") {
			t.Errorf("%s: %q %q", x.ID, figure, why)
		}
	}
	if refused == 0 {
		t.Error("the box has nothing that nobody may touch")
	}
	for _, red := range []string{"", "x", "f01", "f01/", "f01/none", "f01/" + strings.Repeat("x", 9000)} {
		if figure, _, why := p.Read(red, plusPoint); figure != "" || why == "" {
			t.Errorf("%.20q: %q", red, figure)
		}
	}
	p.Operate("fuse-none")
	p.Operate("")
}
