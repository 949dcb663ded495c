package dashboard

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"keyturn/protocol"
)

// waveformOf is a waveform of so many steps that ends when it is made; lead-01 is at
// volts and has no sample in the last step, lead-02 swings between 0 and volts.
func waveformOf(bench string, end time.Duration, steps int, v float64) *protocol.Waveform {
	d := &protocol.Waveform{Header: head(bench, end), AsOf: asOf, FromNS: int64(end) - int64(steps)*int64(stripStep), StepMS: protocol.WaveformStepMS}
	one, two := protocol.WaveformLead{Lead: lead(0)}, protocol.WaveformLead{Lead: lead(1)}
	bat := protocol.WaveformLead{Lead: "bat"}
	for k := range steps {
		at := volts(v)
		if k == steps-1 {
			at = nil
		}
		one.MinV, one.MaxV = append(one.MinV, at), append(one.MaxV, at)
		two.MinV, two.MaxV = append(two.MinV, volts(0)), append(two.MaxV, volts(v))
		bat.MinV, bat.MaxV = append(bat.MinV, volts(12.6)), append(bat.MaxV, volts(12.6))
	}
	d.Leads = append(d.Leads, bat, one, two)
	return d
}

// withSense is a bench with limits, its battery sense lead and a lead in no slot.
func withSense(bench string, slots int) *protocol.Bench {
	d := described(bench, slots)
	d.Limits = protocol.Limits{LiveAbove: 0.6, DeadBelow: 0.3, GhostBelow: 0.55, LiveAboveV: 6, DeadBelowV: 3}
	d.Leads = append(d.Leads, protocol.BenchLead{Lead: "bat"}, protocol.BenchLead{Lead: "hand"})
	for i := range slots {
		d.Slots = append(d.Slots, protocol.BenchSlot{Slot: slot(i), Legend: "Radio"})
	}
	return d
}

func TestStripKeepsTheLast30s(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newState(t)
		take(t, s, withSense("b", 2))
		for i := 1; i <= 200; i++ { // 50 s
			<-time.After(250 * time.Millisecond)
			take(t, s, waveformOf("b", time.Duration(i)*250*time.Millisecond, 5, float64(i)/10))
		}
		w := s.wave("b", []string{"lead-01", "none", "lead-02"}, time.Now())
		if len(w.begins) != stripSteps || w.n != 1001 || w.age != 0 || w.end != int64(50*time.Second) {
			t.Fatalf("%d steps, next %d, %v old, ends at %d", len(w.begins), w.n, w.age, w.end)
		}
		for i, at := range w.begins {
			k := 400 + i // from 20 s on
			v := float32(float64(k/5+1) / 10)
			one, two := w.leads[0][i], w.leads[2][i]
			if at != int64(k)*int64(stripStep) || two != (extremes{0, v}) || w.leads[1][i].known() || one.known() == (k%5 == 4) || one.known() && one != (extremes{v, v}) {
				t.Fatalf("step %d at %d: %v %v", k, at, one, two)
			}
		}
		<-time.After(stripSpan + time.Second)
		if w := s.wave("b", []string{"lead-01"}, time.Now()); len(w.begins) != 0 {
			t.Error("what is older than 30 s is shown")
		}
		take(t, s, withSense("other", 1), waveformOf("other", time.Second, 5, 12))
		if len(s.strips) != 1 || s.stripLeads != 2 {
			t.Errorf("%d strips of %d leads are kept, want the other bench's 2", len(s.strips), s.stripLeads)
		}
	})
}

func TestStripAcrossGapsAndBoots(t *testing.T) {
	s := newState(t)
	take(t, s, withSense("b", 2))
	count := func(why string, want int, lost uint64) {
		t.Helper()
		if w := s.wave("b", []string{"lead-02"}, time.Now()); len(w.begins) != want || s.WavesLost() != lost {
			t.Errorf("%s: %d steps and %d lost, want %d and %d", why, len(w.begins), s.WavesLost(), want, lost)
		}
	}
	take(t, s, waveformOf("b", 60*time.Second, 5, 12))
	count("the first", 5, 0)
	take(t, s, waveformOf("b", 60*time.Second, 5, 12), waveformOf("b", 60*time.Second+100*time.Millisecond, 5, 12))
	count("again, and overlapping", 5, 2)
	take(t, s, waveformOf("b", 80*time.Second, 5, 12))
	count("after a gap of 20 s", 10, 2)
	take(t, s, waveformOf("b", 100*time.Second, 5, 12))
	count("after another: the first is older than 30 s", 10, 2)
	take(t, s, waveformOf("b", 10*time.Second, 5, 12))
	count("a clock set back by more than is kept", 5, 2)
	seen := s.wave("b", nil, time.Now()).n
	other := waveformOf("b", 5*time.Second, 5, 12)
	other.Boot = "0123abcd-0001"
	take(t, s, other)
	count("another boot", 5, 2)
	w := s.wave("b", []string{"lead-02"}, time.Now())
	if u := w.update([]string{"lead-02"}, seen); !u.Whole || len(u.AtMS) != 5 {
		t.Errorf("a page that had all of the boot before gets %d steps, whole %t", len(u.AtMS), u.Whole)
	}
}

func TestHostileWaveforms(t *testing.T) {
	s := newState(t)
	take(t, s, waveformOf("b", time.Minute, 5, 12)) // before it described itself
	take(t, s, withSense("b", 2))
	bad := func(change func(*protocol.Waveform)) *protocol.Waveform {
		w := waveformOf("b", time.Minute, 5, 12)
		change(w)
		return w
	}
	for _, change := range []func(*protocol.Waveform){
		func(w *protocol.Waveform) { w.Leads = nil },
		func(w *protocol.Waveform) { w.StepMS = 1e300 },
		func(w *protocol.Waveform) { w.StepMS = 0 },
		func(w *protocol.Waveform) { w.FromNS = -1 },
		func(w *protocol.Waveform) { w.FromNS = math.MaxInt64 },
		func(w *protocol.Waveform) { w.FromNS = w.MonoNS },
		func(w *protocol.Waveform) { w.FromNS = 1 },
		func(w *protocol.Waveform) { w.MonoNS, w.FromNS = math.MaxInt64, math.MaxInt64-1 },
		func(w *protocol.Waveform) { *w = *waveformOf("b", time.Minute, stripSteps+1, 12) },
	} {
		before := s.WavesLost()
		take(t, s, bad(change))
		if s.WavesLost() != before+1 || len(s.strips) != 0 {
			t.Errorf("%+.120v was taken", bad(change))
		}
	}
	w := waveformOf("b", time.Minute, 5, 12)
	w.Leads = append(w.Leads, protocol.WaveformLead{Lead: "of-another-bench", MinV: w.Leads[0].MinV, MaxV: w.Leads[0].MaxV},
		protocol.WaveformLead{Lead: strings.Repeat("x", 1000)})
	two := &w.Leads[2]
	two.MinV, two.MaxV = two.MinV[:4:4], two.MaxV[:4:4] // fewer than the others
	two.MinV[0], two.MaxV[0] = volts(-1e308), volts(1e308)
	two.MinV[1], two.MaxV[1] = volts(5), volts(4)
	two.MinV[2] = nil
	take(t, s, w)
	got := s.wave("b", []string{"lead-02", "of-another-bench"}, time.Now())
	for k := range 5 {
		if x := got.leads[0][k]; x.known() != (k == 3) {
			t.Errorf("step %d: %v", k, x)
		}
		if got.leads[1][k].known() {
			t.Error("a lead that the bench has not described is kept")
		}
	}
	if s.stripLeads != 3 {
		t.Errorf("%d leads are kept, want 3", s.stripLeads)
	}
	// A document with unequal counts is none.
	topic, payload := wire(t, waveformOf("b", 61*time.Second, 5, 12))
	before := s.Refused()
	s.Take(topic, []byte(strings.Replace(string(payload), `"min_v":[`, `"min_v":[1,`, 1)), false)
	if s.Refused() != before+1 {
		t.Error("unequal counts were taken")
	}
}

func TestStripsAreBounded(t *testing.T) {
	s := newState(t)
	for b := range 40 {
		id := fmt.Sprintf("b-%d", b)
		d, w := described(id, 300), &protocol.Waveform{Header: head(id, time.Minute), AsOf: asOf, FromNS: int64(time.Minute - stripStep), StepMS: 50}
		for i := range 300 {
			w.Leads = append(w.Leads, protocol.WaveformLead{Lead: lead(i), MinV: protocol.List[*protocol.Volts]{volts(1)}, MaxV: protocol.List[*protocol.Volts]{volts(1)}})
		}
		take(t, s, d, w)
		if n := len(s.strips[id].leads); n > leadsMax {
			t.Errorf("%d leads of one bench", n)
		}
	}
	sum := 0
	for _, p := range s.strips { // each by itself
		sum += len(p.leads)
	}
	if sum != stripLeadsMax || s.stripLeads != sum {
		t.Errorf("%d leads are kept and %d counted, want %d", sum, s.stripLeads, stripLeadsMax)
	}
}

func TestWaveInWords(t *testing.T) {
	s := newState(t)
	take(t, s, withSense("b", 2), waveformOf("b", time.Minute, 50, 12))
	w := s.wave("b", []string{"lead-01", "lead-02", "hand"}, time.Now())
	for i, want := range []string{
		"Nothing is being sampled; in the last 3 s least 12.00 V, greatest 12.00 V.",
		"Latest 0.00 V to 12.00 V; in the last 3 s least 0.00 V, greatest 12.00 V.",
		"Nothing was sampled in the last 30 s.",
	} {
		if got := w.view(i).Sentence; got != want {
			t.Errorf("says %q, want %q", got, want)
		}
	}
	rows := w.view(1).Rows
	if want := (waveRow{"2 to 3 s", "0.00 V", "12.00 V"}); len(rows) != 3 || rows[2] != want {
		t.Errorf("rows %v", rows)
	}
	text, err := json.Marshal(w.update([]string{"lead-01", "lead-02", "hand"}, w.n-2))
	if err != nil || !strings.Contains(string(text), `"whole":false,"at_ms":[59900,59950],"end_ms":60000`) || !strings.Contains(string(text), `"lead":"lead-01","min":[12.000,null]`) {
		t.Errorf("%s, %v", text, err)
	}
}

func TestBenchPageDrawsWhatMovedLast(t *testing.T) {
	s := newState(t)
	take(t, s, withSense("b", 6), nowOf("b", time.Second, 6), waveformOf("b", time.Minute, 5, 12))
	h := newPages(t, Options{State: s})
	drawn := func(path string) string {
		t.Helper()
		doc, _ := pageAt(t, h, path, http.StatusOK)
		var out []string
		for _, f := range all(doc, "figure", "data-lead") {
			out = append(out, attr(f, "data-lead"))
			if len(all(f, "table", "class"))+len(all(f, "th", "scope")) < 3 {
				t.Errorf("GET %s: the waveform of %s has no table", path, attr(f, "data-lead"))
			}
		}
		body := all(doc, "body", "data-live")
		if len(body) != 1 || strings.Count(attr(body[0], "data-live"), "wave=") != max(1, len(out)) {
			t.Errorf("GET %s: asks for %v", path, body)
		}
		return strings.Join(out, " ")
	}
	if got := drawn("/bench/b"); got != "bat" {
		t.Errorf("nothing has moved: %s", got)
	}
	for i, k := range []int{0, 3, 4, 2, 0} { // f03 and f06 come into sight; that is no move
		n := nowOf("b", time.Duration(i+2)*time.Second, 6)
		for j := range n.Slots {
			n.Slots[j].State = protocol.Live
			if j >= k && j != 2 && j != 5 {
				n.Slots[j].State = protocol.Dead
			}
		}
		take(t, s, n)
	}
	if got := drawn("/bench/b"); got != "bat lead-01 lead-02 lead-04" {
		t.Errorf("the last that moved: %s", got)
	}
	if got := drawn("/bench/b?show=lead-06&show=lead-02&show=none&show=bat"); got != "lead-06 lead-02 bat" {
		t.Errorf("chosen: %s", got)
	}
	if got := drawn("/bench/b?show=none"); !strings.HasPrefix(got, "bat ") {
		t.Errorf("none of what was chosen is there: %s", got)
	}
}

func TestNowIsWithoutDrawing(t *testing.T) {
	s := newState(t)
	take(t, s, withSense("b", 2), nowOf("b", time.Second, 2))
	h := newPages(t, Options{State: s})
	for path, want := range map[string]bool{"/": false, "/health": false, "/hand/b/hand": false, "/bench/b": true} { // each by itself
		if _, text := pageAt(t, h, path, http.StatusOK); strings.Contains(text, "uPlot") != want {
			t.Errorf("GET %s: loads uPlot or not", path)
		}
	}
}

// The sums are those of the files in the npm package uplot 1.6.32.
func TestUPlotIsAsPublished(t *testing.T) {
	for name, want := range map[string]string{ // each by itself
		"uPlot.iife.min.js": "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f",
		"uPlot.min.css":     "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
		"LICENSE":           "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd",
	} {
		text, err := files.ReadFile("assets/uplot/" + name)
		if err != nil {
			t.Fatal(err)
		}
		if sum := sha256.Sum256(text); hex.EncodeToString(sum[:]) != want {
			t.Errorf("%s is not as it was published: %x", name, sum)
		}
	}
}

// waveIn is the waveform in a piece of a stream.
func waveIn(t *testing.T, piece string) (u waveUpdate, ok bool) {
	t.Helper()
	_, rest, ok := strings.Cut(piece, "event: waveform\ndata: ")
	if !ok {
		return u, false
	}
	text, _, _ := strings.Cut(rest, "\n")
	var raw struct {
		Whole bool    `json:"whole"`
		AtMS  []int64 `json:"at_ms"`
		Leads []struct {
			Lead string `json:"lead"`
		} `json:"leads"`
	}
	if err := json.Unmarshal([]byte(text), &raw); err != nil {
		t.Fatal(err)
	}
	u.Whole, u.AtMS = raw.Whole, raw.AtMS
	for _, l := range raw.Leads {
		u.Leads = append(u.Leads, waveOfLead{Lead: l.Lead})
	}
	return u, true
}

func TestWaveformGoesToThePageThatAsks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newState(t)
		take(t, s, withSense("b", 2), withSense("other", 2), waveformOf("b", time.Minute, 5, 12), waveformOf("other", time.Minute, 5, 12))
		h := newPages(t, Options{State: s})
		r, leave := listen(t, h, "/events?bench=b&wave=lead-02&wave=bat", "")
		defer leave()
		plain, away := listen(t, h, "/events?bench=b", "")
		defer away()
		<-r.out
		<-plain.out
		if u, ok := waveIn(t, <-r.out); !ok || !u.Whole || len(u.AtMS) != 5 || len(u.Leads) != 2 || u.Leads[0].Lead != "lead-02" {
			t.Fatalf("begins with %v %t", u, ok)
		}
		if piece := <-plain.out; strings.Contains(piece, "waveform") {
			t.Error("a page that did not ask gets waveforms")
		}
		begin := time.Now()
		take(t, s, waveformOf("other", 61*time.Second, 5, 12))
		for i := range 3 {
			take(t, s, waveformOf("b", time.Minute+time.Duration(i+1)*250*time.Millisecond, 5, 12))
		}
		u, ok := waveIn(t, <-r.out)
		if !ok || u.Whole || len(u.AtMS) != 15 || u.AtMS[0] != 60000 {
			t.Errorf("goes on with %v", u)
		}
		if d := time.Since(begin); d != streamLeast {
			t.Errorf("after %v, want %v", d, streamLeast)
		}
		if piece := <-plain.out; !strings.HasPrefix(piece, "event: beat") || time.Since(begin) != beatEvery {
			t.Errorf("the other page after %v: %q, want a beat", time.Since(begin), piece)
		}
		<-r.out // its beat
		// One that does not read gets what is kept, once.
		for i := range 300 {
			take(t, s, waveformOf("b", 70*time.Second+time.Duration(i)*250*time.Millisecond, 5, 12))
			<-time.After(50 * time.Millisecond)
		}
		sum := 0
		for last := int64(0); last != 144700; {
			u, ok := waveIn(t, <-r.out)
			if !ok {
				continue
			}
			sum += len(u.AtMS)
			last = u.AtMS[len(u.AtMS)-1]
		}
		if sum > stripSteps+25 {
			t.Errorf("%d steps were sent to a page that did not read, want at most what is kept", sum)
		}
	})
}

func TestStreamsThatAskForTooMuch(t *testing.T) {
	h := newPages(t, Options{State: newState(t)})
	many := "/events?bench=b" + strings.Repeat("&wave=x", wavesMost+2)
	for _, path := range []string{"/events?wave=x", "/events?hand=x", "/events?bench=b&wave=%0a", "/events?bench=b&hand=X", many} {
		if w := get(h, path); w.Code != http.StatusBadRequest {
			t.Errorf("GET %s: %d", path, w.Code)
		}
	}
}

func TestLimitsThatCannotBe(t *testing.T) {
	for _, l := range []protocol.Limits{
		{}, {LiveAbove: 0.3, DeadBelow: 0.6, LiveAboveV: 6, DeadBelowV: 3}, {LiveAbove: 1e308, DeadBelow: 0.3, LiveAboveV: 6, DeadBelowV: 3},
		{LiveAbove: 0.6, DeadBelow: -1, LiveAboveV: 6, DeadBelowV: 3}, {LiveAbove: 0.6, DeadBelow: 0.3, LiveAboveV: 1e308, DeadBelowV: 3},
	} {
		d := withSense("b", 1)
		d.Limits = l
		s := newState(t)
		take(t, s, d)
		h, _, _ := s.one("b")
		if h.limits() != nil {
			t.Errorf("%+v were taken", l)
		}
	}
	d := withSense("b", 1)
	d.BatterySense = "<b>"
	s := newState(t)
	take(t, s, d)
	h, _, _ := s.one("b")
	pages := dashboard{o: Options{State: s}}
	if b := pages.waves(&h, nil, time.Now()); b.Sense != "" || b.Limits != nil || slices.Contains(strings.Split(b.live(), "&"), "wave=") {
		t.Errorf("a battery sense lead that is none: %+v", b)
	}
}
