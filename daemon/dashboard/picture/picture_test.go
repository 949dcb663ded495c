package picture

import (
	"bytes"
	"encoding/xml"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

var update = flag.Bool("update", false, "write the golden pictures anew; look at them before you commit them")

// widths are those of a phone, a page and a wall screen.
var widths = []float64{360, 1024, 1920}

// node is an element of a parsed picture.
type node struct {
	name     string
	attrs    map[string]string
	text     string
	children []*node
}

func (n *node) number(t *testing.T, name string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(n.attrs[name], 64)
	if err != nil {
		t.Fatalf("%s of <%s %v>: %v", name, n.name, n.attrs, err)
	}
	return v
}

// all returns the elements below n that have a class, or an element's name.
func (n *node) all(what string) (out []*node) {
	for _, c := range n.children {
		if c.attrs["class"] == what || c.name == what {
			out = append(out, c)
		}
		out = append(out, c.all(what)...)
	}
	return out
}

// parse reads a picture as a strict XML reader does.
func parse(t *testing.T, svg []byte) *node {
	t.Helper()
	top := &node{}
	stack := []*node{top}
	d := xml.NewDecoder(bytes.NewReader(svg))
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("not XML: %v", err)
		}
		last := stack[len(stack)-1]
		switch tok := tok.(type) {
		case xml.StartElement:
			n := &node{name: tok.Name.Local, attrs: map[string]string{}}
			for _, a := range tok.Attr {
				if _, twice := n.attrs[a.Name.Local]; twice {
					t.Errorf("<%s> has %s twice", n.name, a.Name.Local)
				}
				n.attrs[a.Name.Local] = a.Value
			}
			last.children = append(last.children, n)
			stack = append(stack, n)
		case xml.EndElement:
			stack = stack[:len(stack)-1]
		case xml.CharData:
			last.text += string(tok)
		}
	}
	if len(top.children) != 1 || top.children[0].name != "svg" {
		t.Fatalf("%d elements at the top, want one svg", len(top.children))
	}
	return top.children[0]
}

// stored reads a cycle document: one of the simulated vehicle's, and one of those
// with long tails, two leads and other rare things put in.
func stored(t *testing.T, name string) *protocol.Cycle {
	t.Helper()
	return protocoltest.Cycle(t, filepath.Join("testdata", name+".json"))
}

const second = int64(1e9)

// edge is an invented transition.
func edge(lead string, state protocol.State, at, bracket int64, u protocol.Micros) protocol.Transition {
	return protocol.Transition{ID: lead + "-" + strconv.FormatInt(at/1e6, 10), Edge: protocol.Edge{State: state, AtNS: at,
		NotBeforeNS: at - bracket/2, NotAfterNS: at + bracket/2, UUS: u, Timing: protocol.TimingCurve}}
}

// invented is a small cycle: accessory at 100 s, on at 102, start at 104, running
// at 105, off at 110, end at 120.
func invented() *protocol.Cycle {
	ms := protocol.Millis(60)
	stays := protocol.Seconds(1.5)
	c := &protocol.Cycle{ID: "invented-1", Final: true, Ended: protocol.EndedSettled}
	c.MonoNS = 120 * second
	for i, p := range []protocol.Position{protocol.PositionAccessory, protocol.PositionOn, protocol.PositionStart, protocol.PositionRunning, protocol.PositionOff} {
		c.Key = append(c.Key, protocol.KeyMove{Position: p, AtNS: []int64{100, 102, 104, 105, 110}[i] * second, UUS: 500, Source: protocol.SourceLead})
	}
	c.Key[3].Source, c.Key[3].UUS = protocol.SourceInferred, 100000
	crank := protocol.Crank{ID: "s1", CrankDetail: protocol.CrankDetail{BeginsNotBeforeNS: 104*second - 4e6, BeginsNotAfterNS: 104*second + 4e6, EndsNS: 105 * second,
		Sag: &protocol.Sag{BeforeV: 12.5, LevelUV: 0.01, MinV: 7.5, MinUV: 0.05, HiddenDipV: 0.2, MinAtNS: 104*second + 20e6, PlateauV: 10,
			Below: []protocol.Below{{V: 9, MS: 40, MSMin: 38, MSMax: 42, VS: 0.02}, {V: 6}}, RecoveredMS: &ms}}}
	c.Battery = &protocol.CycleLead{Lead: "sense", Crank: []protocol.Crank{crank}}
	c.Slots = protocol.List[protocol.CycleSlot]{
		{Slot: "f01", Legend: "Wipers", Behaviour: protocol.Ignition, WatchedS: 22, StaysOnS: &stays, Leads: protocol.List[protocol.CycleLead]{
			{Lead: "a", Transitions: []protocol.Transition{edge("a", protocol.Live, 102*second+5e6, 7e6, 200), edge("a", protocol.Dead, 111*second+5e8, 4e8, 60000)}, Crank: []protocol.Crank{crank}}}},
		{Slot: "f02", Legend: "", Behaviour: protocol.Permanent, WatchedS: 22, Leads: protocol.List[protocol.CycleLead]{{Lead: "b"}}},
		{Slot: "f03", Legend: "Box", Behaviour: protocol.NotProven, Possible: protocol.List[protocol.Behaviour]{protocol.Ignition, protocol.EngineRunning}, WatchedS: 22,
			Leads: protocol.List[protocol.CycleLead]{{Lead: "c", Side: "left"}, {Lead: "d", Side: "right"}}},
	}
	return c
}

// many is a cycle of so many slots.
func many(n int) *protocol.Cycle {
	c := invented()
	s := c.Slots[0]
	c.Slots = nil
	for i := range n {
		s.Slot = "f" + strconv.Itoa(i+1)
		c.Slots = append(c.Slots, s)
	}
	return c
}

// pictures are all that is drawn of a cycle at a width.
func pictures(c *protocol.Cycle, o Options) [][]byte {
	out := [][]byte{Cycle(c, o), Pair(c, c, lanesOf(c), o)}
	for i := range Starts(c) {
		out = append(out, Start(c, i, o))
	}
	return out
}

func TestGoldenPictures(t *testing.T) {
	for name, svg := range map[string][]byte{
		"invented-cycle.svg":  Cycle(invented(), Options{Width: 1024}),
		"invented-narrow.svg": Cycle(invented(), Options{Width: 360}),
		"invented-start.svg":  Start(invented(), 0, Options{Width: 1024}),
		"pair.svg":            Pair(invented(), changed(), lanesOf(changed()), Options{Width: 1024}),
		"pair-narrow.svg":     Pair(invented(), changed(), lanesOf(changed()), Options{Width: 360}),
	} {
		file := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(file, svg, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(svg, want) {
			t.Errorf("%s is now\n%s", name, svg)
		}
	}
}

func TestEqualDocumentsGiveEqualBytes(t *testing.T) {
	for range 20 {
		for i, svg := range pictures(stored(t, "long-tail"), Options{}) {
			if again := pictures(stored(t, "long-tail"), Options{})[i]; !bytes.Equal(svg, again) {
				t.Fatalf("picture %d differs the second time", i)
			}
		}
	}
}

// Every picture has a text alternative and needs nothing from elsewhere: no
// script, style, reference or id.
func TestAPictureStandsAlone(t *testing.T) {
	for _, name := range []string{"long-tail", "double-start"} {
		for _, w := range widths {
			for _, svg := range pictures(stored(t, name), Options{Width: w}) {
				top := parse(t, svg)
				if top.attrs["role"] != "img" || top.children[0].name != "title" || top.children[0].text == "" ||
					top.children[1].name != "desc" || len(top.children[1].text) < 40 {
					t.Errorf("%s at %g has no text alternative: %v", name, w, top.attrs)
				}
				allowed := "svg title desc g rect line path text circle"
				for _, n := range append(every(top), top) {
					if !strings.Contains(" "+allowed+" ", " "+n.name+" ") {
						t.Errorf("a picture holds <%s>", n.name)
					}
					for a, v := range n.attrs {
						if a == "id" || a == "style" || strings.HasPrefix(a, "on") || strings.Contains(a, "href") || strings.Contains(v, "url(") {
							t.Errorf("<%s> has %s=%q", n.name, a, v)
						}
					}
				}
			}
		}
	}
}

func every(n *node) (out []*node) {
	for _, c := range n.children {
		out = append(append(out, c), every(c)...)
	}
	return out
}

// Nothing is drawn outside of the picture, no text is too small to read.
func TestAllStaysInsideAndReadable(t *testing.T) {
	for _, c := range []*protocol.Cycle{stored(t, "long-tail"), stored(t, "double-start"), invented(), many(60), {}} {
		for _, w := range widths {
			for _, svg := range pictures(c, Options{Width: w}) {
				top := parse(t, svg)
				h := top.number(t, "height")
				for _, n := range top.all("text") {
					size := n.number(t, "font-size")
					if size < 9 {
						t.Errorf("%q is %g px high", n.text, size)
					}
					if y := n.number(t, "y"); y < 0 || y > h {
						t.Errorf("at %g: %q stands at %g of %g", w, n.text, y, h)
					}
					if x := n.number(t, "x"); x < 0 || n.attrs["text-anchor"] == "" && !strings.Contains(n.attrs["class"], "label") && !strings.Contains(n.attrs["class"], "limit") &&
						!strings.Contains(n.attrs["class"], "kt-volt") && !strings.Contains(n.attrs["class"], "mark") && x+wide(n.text, size) > w+1 {
						t.Errorf("at %g: %q from %g runs out", w, n.text, x)
					}
				}
				for _, n := range top.all("rect") {
					if n.number(t, "width") < 0 || n.number(t, "x") < -0.01 || n.number(t, "x")+n.number(t, "width") > w+0.01 || n.number(t, "y")+n.number(t, "height") > h+0.01 {
						t.Errorf("at %g: a box leaves the picture: %v", w, n.attrs)
					}
				}
			}
		}
	}
}

// A page finds the same properties in Colours as the pictures use, and words can
// be read: contrast 4.5 to 1 (WCAG 2.2, 1.4.3), marks 3 to 1 (1.4.11).
func TestColoursHaveContrast(t *testing.T) {
	light, dark := map[string]float64{}, map[string]float64{}
	for _, c := range Colours() {
		light[c.Property], dark[c.Property] = luminance(t, c.Light), luminance(t, c.Dark)
	}
	for _, svg := range pictures(stored(t, "long-tail"), Options{}) {
		for _, part := range strings.Split(string(svg), "var(")[1:] {
			name, _, _ := strings.Cut(part, ",")
			if _, ok := light[name]; !ok && name != "--kt-font" {
				t.Fatalf("a picture uses %s, which Colours does not list", name)
			}
		}
	}
	grounds := []string{"--kt-paper", "--kt-key-1", "--kt-key-2", "--kt-key-3"}
	for theme, l := range map[string]map[string]float64{"light": light, "dark": dark} {
		for _, g := range grounds {
			for front, least := range map[string]float64{"--kt-ink": 4.5, "--kt-soft": 4.5, "--kt-volts": 3, "--kt-live": 3} {
				if got := contrast(l[front], l[g]); got < least {
					t.Errorf("%s: %s on %s is %.2f to 1", theme, front, g, got)
				}
			}
		}
		for _, pair := range [][2]string{{"--kt-live-ink", "--kt-live"}, {"--kt-volts", "--kt-paper"}} {
			if got := contrast(l[pair[0]], l[pair[1]]); got < 4.5 {
				t.Errorf("%s: %s on %s is %.2f to 1", theme, pair[0], pair[1], got)
			}
		}
	}
}

func contrast(a, b float64) float64 { return (max(a, b) + 0.05) / (min(a, b) + 0.05) }

// luminance is the relative luminance of WCAG 2.2.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	v, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 24)
	if err != nil {
		t.Fatal(err)
	}
	part := func(shift int) float64 {
		c := float64(v>>shift&255) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}
