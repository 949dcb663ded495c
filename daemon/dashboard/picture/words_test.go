package picture

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"keyturn/protocol"
)

// Whatever a text field holds, the picture stays XML with the same elements, and
// the text is there as a text.
func TestHostileTextsStayTexts(t *testing.T) {
	plain := pictures(invented(), Options{Width: 1024})
	count := func(svg []byte) (n int) {
		for _, e := range every(parse(t, svg)) {
			if e.name != "path" { // how the hatching is drawn may differ
				n++
			}
		}
		return n
	}
	for _, evil := range []string{
		`<script>alert(1)</script>`, `"/><image href="x" onerror="y"/>`, `a & b < c > d ' e`, "]]><!--", "&#0;&amp;",
		"a\x00b\x1b[31mc\x7f", "bad \xff\xfe UTF-8 \xc3", "\u202egnorw\u2066", "\ufffe\uffff", "line\nline\tline", strings.Repeat("W", 100000),
	} {
		c := invented()
		c.ID, c.Battery.Lead = evil, evil
		for i := range c.Slots {
			s := &c.Slots[i]
			s.Slot, s.Legend = evil+strconv.Itoa(i), protocol.OrNull(evil)
			for k := range s.Leads {
				l := &s.Leads[k]
				l.Lead = evil
				if l.Side != "" {
					l.Side = protocol.OrNull(evil)
				}
				for j := range l.Transitions {
					l.Transitions[j].ID = evil
				}
			}
		}
		for i, svg := range pictures(c, Options{Width: 1024}) {
			if !utf8.Valid(svg) || len(svg) > 200<<10 {
				t.Errorf("%.20q: %d bytes, valid UTF-8 %t", evil, len(svg), utf8.Valid(svg))
			}
			top := parse(t, svg)
			if len(top.all("script"))+len(top.all("image")) > 0 {
				t.Errorf("%.20q became an element", evil)
			}
			for _, e := range every(top) {
				if strings.ContainsAny(e.text, "\x00\x1b\x7f\u202e\u2066") {
					t.Errorf("%.20q passed through: %q", evil, e.text)
				}
			}
			// Long names leave less room for legends and words in bars: never more elements.
			if got, want := count(svg), count(plain[i]); got > want+12 {
				t.Errorf("%.20q makes %d elements of %d", evil, got, want)
			}
		}
		if s := Sentence(c); strings.ContainsAny(s, "\x00\x1b\n\u202e") {
			t.Errorf("%.20q passed into the sentence: %q", evil, s)
		}
	}
}

func TestHowManySlots(t *testing.T) {
	for _, n := range []int{0, 1, 60} {
		for _, w := range widths {
			top := parse(t, Cycle(many(n), Options{Width: w}))
			lanes := top.all("kt-slot")
			if len(lanes) != n {
				t.Errorf("%d lanes of %d slots", len(lanes), n)
			}
			for _, l := range lanes {
				if len(l.all("kt-live")) != 1 || len(l.all("kt-dead")) != 2 {
					t.Errorf("a lane shows %d live, %d dead stretches, want 1 and 2", len(l.all("kt-live")), len(l.all("kt-dead")))
				}
			}
			if none := len(top.all("kt-none")); (none == 1) != (n == 0) {
				t.Errorf("%d slots: said %d times that there is none", n, none)
			}
		}
	}
}

// state reads a lead's states from its lane.
func states(t *testing.T, c *protocol.Cycle, slot int) string {
	t.Helper()
	var out []string
	for _, n := range parse(t, Cycle(c, Options{})).all("kt-slot")[slot].children {
		if s, ok := strings.CutPrefix(n.attrs["class"], "kt-"); ok && (s == "live" || s == "dead" || s == "unknown") {
			out = append(out, s)
		}
	}
	return strings.Join(out, " ")
}

func TestStatesAreThoseOfTheDocument(t *testing.T) {
	c := invented()
	for slot, want := range []string{"dead live dead", "live", "unknown unknown"} {
		if got := states(t, c, slot); got != want {
			t.Errorf("slot %d is %s, want %s", slot, got, want)
		}
	}
	lead := &c.Slots[1].Leads[0]
	for _, x := range []struct {
		behaviour protocol.Behaviour
		possible  protocol.List[protocol.Behaviour]
		watched   protocol.Seconds
		want      string
	}{
		{protocol.NoVolts, nil, 20, "dead"},
		{protocol.Permanent, nil, 0, "unknown"},
		{protocol.NotProven, protocol.List[protocol.Behaviour]{protocol.NoVolts, protocol.StartOnly}, 20, "dead"},
		{protocol.NotProven, protocol.List[protocol.Behaviour]{protocol.Permanent, protocol.Awake}, 20, "live"},
		{protocol.NotProven, protocol.List[protocol.Behaviour]{protocol.Permanent, protocol.NoVolts}, 20, "unknown"},
		{protocol.Behaviour("of a later version"), nil, 20, "unknown"},
	} {
		c.Slots[1].Behaviour, c.Slots[1].Possible, c.Slots[1].WatchedS = x.behaviour, x.possible, x.watched
		if got := states(t, c, 1); got != x.want {
			t.Errorf("%s %v watched %g s is %s, want %s", x.behaviour, x.possible, float64(x.watched), got, x.want)
		}
	}
	lead.Transitions = protocol.List[protocol.Transition]{edge("b", protocol.Live, 103*second, 1e6, 10), edge("b", protocol.Live, 107*second, 1e6, 10), edge("b", protocol.Dead, 109*second, 1e6, 10)}
	if got := states(t, c, 1); got != "dead unknown live dead" {
		t.Errorf("live twice is %s", got)
	}
	lead.LeftOut = 4
	if got := states(t, c, 1); got != "dead unknown unknown dead" {
		t.Errorf("with transitions left out it is %s", got)
	}
	if svg := string(Cycle(c, Options{})); !strings.Contains(svg, "4 changes not listed") {
		t.Error("it is not said that transitions are left out")
	}
	c.Slots[1].Leads = nil
	if got := states(t, c, 1); got != "unknown" {
		t.Errorf("a slot without a lead is %s", got)
	}
}

func TestOpenCyclesAndThoseWithoutStart(t *testing.T) {
	c := invented()
	c.Final, c.Ended, c.Key = false, "", c.Key[:3]
	c.Battery.Crank, c.Slots[0].Leads[0].Crank = nil, nil
	svg := string(Cycle(c, Options{}))
	for _, want := range []string{"kt-open", "fall in the start was not measured", "The cycle goes on"} {
		if !strings.Contains(svg, want) {
			t.Errorf("an open cycle without the volts of its start does not say %q", want)
		}
	}
	if svg := string(Cycle(c, Options{WithoutStarts: true})); strings.Contains(svg, "cranking") || strings.Contains(svg, "was not measured") {
		t.Error("who is told nothing of starts is shown the battery's panel")
	}
	c.Key = c.Key[:2]
	if svg := string(Cycle(c, Options{})); !strings.Contains(svg, "no start in this cycle") {
		t.Error("it is not said that there was no start")
	}
	if Starts(c) != 0 || Start(c, 0, Options{}) != nil || StartSentence(c, 0) != "" {
		t.Error("a start is drawn where there was none")
	}
	c.Battery = nil
	if svg := string(Cycle(c, Options{})); !strings.Contains(svg, "no battery sense lead") {
		t.Error("it is not said that there is no battery sense lead")
	}
	parse(t, Cycle(&protocol.Cycle{}, Options{}))
}

// A start's marks stand at their volts, on one straight scale for all leads.
func TestStartsStandAtTheirVolts(t *testing.T) {
	c := stored(t, "long-tail")
	if n := Starts(c); n != 2 {
		t.Fatalf("%d starts, want 2", n)
	}
	for n := range Starts(c) {
		top := parse(t, Start(c, n, Options{Width: 1024}))
		x := map[string]float64{}
		for _, v := range top.all("kt-volt") {
			if v.attrs["text-anchor"] == "" { // below the rows; those of the panel are set to the right
				x[strings.TrimSuffix(v.text, " V")] = v.number(t, "x")
			}
		}
		a, b := x["10"], x["12"]
		if a == 0 || b == 0 {
			t.Fatalf("no 10 V or 12 V on the axis: %v", x)
		}
		measured := 0
		for _, k := range starts(c)[n] {
			for _, row := range top.all("kt-start-lead") {
				if row.attrs["data-id"] != k.crank.ID || k.crank.Sag == nil {
					continue
				}
				measured++
				at := func(v protocol.Volts) float64 { return a + (b-a)*(float64(v)-10)/2 }
				var lowest float64
				if _, err := fmt.Sscanf(row.all("kt-min")[0].attrs["d"], "M%f", &lowest); err != nil {
					t.Fatal(err)
				}
				for what, d := range map[string]float64{
					"lowest": lowest - at(k.crank.MinV), "before": row.all("kt-before")[0].number(t, "cx") - at(k.crank.BeforeV),
					"turning": row.all("kt-plateau")[0].number(t, "x1") - at(k.crank.PlateauV),
				} {
					if d > 0.5 || d < -0.5 {
						t.Errorf("start %d, %s: %s stands %g px off", n, k.crank.ID, what, d)
					}
				}
			}
		}
		if measured < 5 {
			t.Errorf("start %d shows %d leads", n, measured)
		}
	}
	if svg := string(Start(c, 0, Options{})); !strings.Contains(svg, "not measured: the lead was not watched all the time") {
		t.Error("why a lead's start was not measured is not said")
	}
}

func TestSentences(t *testing.T) {
	c := invented()
	want := "The key went to accessory, then to on, then to start, then to on, engine running, then to off. " +
		"Of 3 slots: 1 permanent (30), 1 live with the ignition on (15), 1 not proven. Longest after key-off: f01 stayed live for 1.5 s. " +
		"Battery while cranking: from 12.50 V to 7.50 V, then 10.0 V while the engine turned, for 996.0 ms."
	if got := Sentence(c); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	want = "Start 1 of 1 lasted 996.0 ms. Battery: from 12.50 V down to 7.50 V, 10.00 V while turning; below 9 V for 40.0 ms; back after 60 ms; " +
		"f01 Wipers: from 12.50 V down to 7.50 V, 10.00 V while turning; below 9 V for 40.0 ms; back after 60 ms."
	if got := StartSentence(c, 0); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if got := Sentence(&protocol.Cycle{Final: true}); got != "The key was not seen to move. No slot was under test." {
		t.Errorf("an empty cycle: %s", got)
	}
}
