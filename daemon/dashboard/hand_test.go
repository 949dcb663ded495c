package dashboard

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/net/html"

	"keyturn/protocol"
)

func TestWhatTheHandLeadReads(t *testing.T) {
	type c struct {
		lead   string
		volts  *protocol.Volts // of the lead, twice; nil: not known
		state  protocol.State  // of f01, as the bench says
		want   string
		reason string
	}
	for i, c := range []c{
		{"hand", volts(12.5), protocol.Live, "live 12.50 V", ""},
		{"hand", volts(7.6), protocol.Dead, "live 7.60 V", ""},      // 0.6 of 12.6 V is 7.56 V
		{"hand", volts(0.01), protocol.Live, "no volts 0.01 V", ""}, // the bench's word is for another lead
		{"hand", volts(3), protocol.Live, "ghost 3.00 V", ""},
		{"hand", volts(6), protocol.Live, "ghost 6.00 V", ""}, // below 0.55
		{"hand", volts(7.2), protocol.Live, "unknown 7.20 V", "between live and no volts"},
		{"hand", nil, protocol.Live, "unknown ", "nothing was sampled"},
		{"lead-01", volts(6), protocol.Live, "live 6.00 V", ""}, // the bench knows where it came from
		{"lead-01", volts(6), protocol.Dead, "ghost 6.00 V", ""},
		{"lead-01", volts(0), protocol.Dead, "no volts 0.00 V", ""},
		{"lead-01", volts(12), protocol.Unknown, "unknown 12.00 V", "no samples"},
		{"bat", volts(12.6), protocol.Dead, "live 12.60 V", ""},
	} {
		s := newState(t)
		take(t, s, withSense("b", 1))
		for k := range 2 {
			n := nowOf("b", time.Duration(k+1)*time.Second, 1)
			n.Leads = append(n.Leads, protocol.NowLead{Lead: "hand", V: c.volts})
			if c.lead == "lead-01" {
				n.Leads[1].V = c.volts
			}
			if n.Slots[0].State = c.state; c.state == protocol.Unknown {
				n.Slots[0].Reason = "no samples"
			}
			take(t, s, n)
		}
		v, _, ok := s.inHand("b", c.lead, time.Now())
		if got := v.Shown().Word + " " + v.Volts; !ok || got != c.want || v.Why != c.reason {
			t.Errorf("%d: %s reads %q because %q, want %q because %q", i, c.lead, got, v.Why, c.want, c.reason)
		}
	}
}

func TestPulsed(t *testing.T) {
	l := limitVolts{live: 7.5, dead: 3.8}
	on, off, both, between := extremes{12, 12.1}, extremes{0, 0.1}, extremes{0, 12}, extremes{5, 6}
	times := func(n int, steps ...extremes) (out []extremes) {
		for range n {
			out = append(out, steps...)
		}
		return out
	}
	for i, c := range []struct {
		steps []extremes
		want  bool
	}{
		{nil, false}, {times(40, on), false}, {times(40, off), false}, {times(40, between), false}, {times(40, noSample), false},
		{append(times(20, off), times(20, on)...), false},                                      // switched on
		{append(times(20, off), append(times(1, both), times(19, on)...)...), false},           // within a step
		{times(2, append(times(10, off), times(10, on)...)...), false},                         // 1 Hz
		{times(4, append(times(5, off), times(5, on)...)...), true},                            // 2 Hz
		{times(4, append(times(5, off), append(times(1, both), times(4, on)...)...)...), true}, // 2 Hz, seen within a step
		{times(20, off, on), true},                         // 10 Hz
		{times(40, both), true},                            // faster
		{append(times(40, both), times(40, on)...), false}, // it was
		{times(8, off, off, between, between, off), false}, // never live
	} {
		if got := pulsed(c.steps, l); got != c.want {
			t.Errorf("%d: pulsed is %t", i, got)
		}
	}
}

// said is what a hand page says: the name given, the word, and its notice.
func said(t *testing.T, h http.Handler, path string) (text string, doc *html.Node) {
	t.Helper()
	doc, _ = pageAt(t, h, path, http.StatusOK)
	for _, p := range all(doc, "p", "class") {
		if attr(p, "class") == "big" {
			text = words(p)
		}
	}
	return strings.TrimSpace(text + " " + notices(doc)), doc
}

func TestHandPage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newState(t)
		h := newPages(t, Options{State: s})
		take(t, s, withSense("b", 3))
		if got, _ := said(t, h, "/hand/b/hand"); got != "unknown Stale : nothing has been heard of its slots . Do not go by it." {
			t.Errorf("not heard yet: %q", got)
		}
		take(t, s, nowOf("b", time.Second, 3))
		<-time.After(4 * time.Second) // simulated
		got, doc := said(t, h, "/hand/b/lead-02?name=f03")
		if got != "f03 no volts" {
			t.Errorf("says %q", got)
		}
		if n := len(all(doc, "a", "data-name")); n != 3 {
			t.Errorf("%d names can be given, want 3", n)
		}
		for i := range 8 {
			take(t, s, waveformOf("b", time.Minute+time.Duration(i+1)*250*time.Millisecond, 5, 12))
		}
		if got, _ := said(t, h, "/hand/b/lead-02?name=%3Cb%3E"); got != "pulsed" {
			t.Errorf("says %q, want pulsed and no such name", got)
		}
		<-time.After(6 * time.Second)
		if got, doc := said(t, h, "/hand/b/lead-02"); got != "unknown Stale . Do not go by it." || !strings.Contains(words(doc), "last: pulsed") || !strings.Contains(words(doc), "heard 6 s ago") {
			t.Errorf("after 6 s: %q: %s", got, words(doc))
		}
		take(t, s, waveformOf("b", 2*time.Minute, 5, 12), presence("b", 2*time.Minute, protocol.CutOff))
		if got, _ := said(t, h, "/hand/b/lead-02"); got != "unknown Stale : the connection to the bench broke . Do not go by it." {
			t.Errorf("cut off: %q", got)
		}
	})
}

func TestLeadsToChooseFrom(t *testing.T) {
	s := newState(t)
	h := newPages(t, Options{State: s})
	for _, path := range []string{"/hand/b", "/hand/B", "/hand/b/hand"} {
		pageAt(t, h, path, http.StatusNotFound)
	}
	d := withSense("b", 2)
	d.KeySense.Terminal15 = "lead-03"
	d.Leads = append(d.Leads, protocol.BenchLead{Lead: "lead-03"}, protocol.BenchLead{Lead: "../x"}, protocol.BenchLead{Lead: "bat"},
		protocol.BenchLead{Lead: "amps", Shunt: &protocol.Shunt{MOhm: 10}})
	take(t, s, presence("b", time.Second, protocol.Online))
	if doc, _ := pageAt(t, h, "/hand/b", http.StatusOK); !strings.Contains(words(doc), "has not described its leads yet") {
		t.Error("a bench without description")
	}
	pageAt(t, h, "/hand/b/hand", http.StatusNotFound)
	take(t, s, d)
	doc, _ := pageAt(t, h, "/hand/b", http.StatusOK)
	var got []string
	for _, a := range all(doc, "a", "href") {
		if at, ok := strings.CutPrefix(attr(a, "href"), "/hand/b/"); ok {
			got = append(got, at+": "+words(a))
			pageAt(t, h, attr(a, "href"), http.StatusOK)
		}
	}
	if want := "[hand: lead hand lead-01: f01 Radio lead-02: f02 Radio bat: battery lead-03: terminal 15]"; fmt.Sprint(got) != want {
		t.Errorf("%v, want %s", got, want)
	}
	pageAt(t, h, "/hand/b/none", http.StatusNotFound)
	pageAt(t, h, "/hand/b/..%2fx", http.StatusNotFound)
}

func TestHandStream(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newState(t)
		take(t, s, withSense("b", 2), nowOf("b", time.Second, 2))
		r, leave := listen(t, newPages(t, Options{State: s}), "/events?bench=b&hand=lead-01", "")
		defer leave()
		<-r.out
		if got := <-r.out; strings.Contains(got, "event: bench") || !strings.Contains(got, `{"shape":"live","word":"live","volts":"12.50 V","why":"","age_ms":0,"hold":""}`) {
			t.Errorf("begins with %s", got)
		}
		take(t, s, waveformOf("b", time.Minute, 4, 11.9)) // its last step has no sample
		if got := <-r.out; !strings.Contains(got, "12.50 V") {
			t.Errorf("a step without sample: %s", got)
		}
		n := nowOf("b", 2*time.Second, 2)
		n.Slots[0].State, n.Leads[1].V = protocol.Dead, volts(0)
		take(t, s, n)
		if got := <-r.out; !strings.Contains(got, `"word":"no volts","volts":"0.00 V"`) {
			t.Errorf("goes on with %s", got)
		}
	})
}
