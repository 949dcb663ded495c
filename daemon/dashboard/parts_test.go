package dashboard

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

const boot = "0123abcd-0000"

// memory are records in memory, the latest stored first.
type memory []*protocol.Cycle

func (m memory) Cycles(_ context.Context, f records.Filter) ([]*protocol.Cycle, error) {
	from := 0
	if f.Before.ID != "" {
		if from = 1 + slices.IndexFunc(m, func(c *protocol.Cycle) bool { return c.Bench == f.Before.Bench && c.ID == f.Before.ID }); from == 0 {
			return nil, records.ErrNone
		}
	}
	var out []*protocol.Cycle
	for _, c := range m[from:] {
		if f.Bench != "" && c.Bench != f.Bench || len(out) == f.Limit {
			continue
		}
		if (f.Slot != "" || f.Behaviour != "") && !slices.ContainsFunc(c.Slots, func(s protocol.CycleSlot) bool {
			return (f.Slot == "" || s.Slot == f.Slot) && (f.Behaviour == "" || s.Behaviour == f.Behaviour)
		}) {
			continue
		}
		out = append(out, c)
	}
	return out, nil
}

func (m memory) Cycle(_ context.Context, bench, id string) (*protocol.Cycle, error) {
	for _, c := range m {
		if c.Bench == bench && c.ID == id {
			return c, nil
		}
	}
	return nil, fmt.Errorf("in memory: %w", records.ErrNone)
}

func (m memory) Origin(ctx context.Context, bench, id string) (*records.Origin, error) {
	c, err := m.Cycle(ctx, bench, id)
	if err != nil {
		return nil, err
	}
	payload, err := protocol.Encode(c)
	return &records.Origin{Cycle: c, Payload: payload}, err
}

func newState(t *testing.T) *State {
	t.Helper()
	s, err := NewState(protocol.DefaultRoot)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func newPages(t *testing.T, o Options) http.Handler {
	t.Helper()
	o.Zone = time.UTC
	h, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// wire returns a document as it comes.
func wire(t *testing.T, d protocol.Document) (topic string, payload []byte) {
	t.Helper()
	topic, err := protocol.TopicOf(protocol.DefaultRoot, d)
	if err != nil {
		t.Fatal(err)
	}
	payload, err = protocol.Encode(d)
	if err != nil {
		t.Fatal(err)
	}
	return topic, payload
}

func take(t *testing.T, s *State, docs ...protocol.Document) {
	t.Helper()
	for _, d := range docs {
		topic, payload := wire(t, d)
		s.Take(topic, payload, false)
	}
}

func head(bench string, at time.Duration) protocol.Header {
	return protocol.Header{Bench: bench, Boot: boot, MonoNS: int64(at)}
}

var asOf = protocol.AsOf{Stream: "s-1"}

func volts(v float64) *protocol.Volts { x := protocol.Volts(v); return &x }

func presence(bench string, at time.Duration, state protocol.PresenceState) *protocol.Presence {
	return &protocol.Presence{Header: head(bench, at), AsOf: asOf, State: state}
}

func described(bench string, slots int) *protocol.Bench {
	d := &protocol.Bench{Header: head(bench, time.Second), AsOf: asOf, BenchRev: "455d25664f41"}
	d.Software, d.Subject, d.BatterySense = "keyturn 0.1", protocol.Vehicle, "bat"
	long, often, seldom := protocol.Micros(9000), protocol.Micros(6300), protocol.Micros(7100)
	for i := range slots {
		l := protocol.BenchLead{Lead: lead(i), Slot: protocol.OrNull(slot(i)), Chip: "adc-1", IntervalBoundUS: 7000}
		switch i {
		case 0:
			l.IntervalMeanUS, l.IntervalLongestUS = &often, &long
		case 1:
			l.IntervalMeanUS, l.IntervalLongestUS = &seldom, &long
		}
		d.Leads = append(d.Leads, l)
	}
	return d
}

func slot(i int) string { return fmt.Sprintf("f%02d", i+1) }
func lead(i int) string { return fmt.Sprintf("lead-%02d", i+1) }

// nowOf is a bench's now: slots are live, without volts and unknown in turn.
func nowOf(bench string, at time.Duration, slots int) *protocol.Now {
	d := &protocol.Now{Header: head(bench, at), AsOf: asOf, Key: &protocol.KeyMove{Position: protocol.PositionRunning, AtNS: 1, Source: protocol.SourceInferred}}
	d.Leads = append(d.Leads, protocol.NowLead{Lead: "bat", V: volts(12.6)})
	for i := range slots {
		s := protocol.NowSlot{Slot: slot(i), Legend: "Radio", State: protocol.Live}
		l := protocol.NowLead{Lead: lead(i), V: volts(12.5)}
		switch i % 3 {
		case 1:
			s.State, l.V = protocol.Dead, volts(-0.001)
		case 2:
			s.State, s.Reason, l.V = protocol.Unknown, "no samples", nil
		}
		d.Slots, d.Leads = append(d.Slots, s), append(d.Leads, l)
	}
	return d
}

func cycleOf(bench string, n int) *protocol.Cycle {
	begin := int64(n+1) * 1e9
	c := &protocol.Cycle{ResultHeader: protocol.ResultHeader{Header: head(bench, time.Duration(begin)), Stream: "s-1", Seq: int64(n + 1), BenchRev: "455d25664f41"},
		Subject: protocol.Vehicle, ID: protocol.CycleID(boot, begin), Revision: 2, Final: true, Ended: protocol.EndedSettled}
	c.Key = append(c.Key, protocol.KeyMove{Position: protocol.PositionOn, AtNS: begin, Source: protocol.SourceLead})
	edge := protocol.Edge{State: protocol.Live, AtNS: begin + 5e6, NotBeforeNS: begin + 1e6, NotAfterNS: begin + 9e6, UUS: 100, Timing: protocol.TimingCurve}
	c.Slots = append(c.Slots, protocol.CycleSlot{Slot: "f01", Legend: "Radio", Behaviour: protocol.Ignition,
		Leads: protocol.List[protocol.CycleLead]{{Lead: "lead-01", Transitions: protocol.List[protocol.Transition]{{ID: "t-1", Edge: edge}}}}})
	if n%2 == 1 {
		c.Slots[0].Behaviour = protocol.Permanent
	}
	return c
}

// get asks as a browser on this machine would.
func get(h http.Handler, path string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Host = "localhost:8080"
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// pageAt returns a page, parsed and held to what every page must keep to.
func pageAt(t *testing.T, h http.Handler, path string, status int) (*html.Node, string) {
	t.Helper()
	w := get(h, path)
	if w.Code != status {
		t.Fatalf("GET %s: %d, want %d: %.200s", path, w.Code, status, w.Body)
	}
	text := w.Body.String()
	doc, err := html.Parse(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]bool{}
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		switch n.Data {
		case "style", "iframe", "object", "embed", "base":
			t.Errorf("GET %s: has a %s element", path, n.Data)
		case "script":
			if n.FirstChild != nil || !strings.HasPrefix(attr(n, "src"), "/assets/") {
				t.Errorf("GET %s: a script that is not ours", path)
			}
		case "meta":
			if attr(n, "http-equiv") != "" {
				t.Errorf("GET %s: has a meta http-equiv", path)
			}
		case "input", "select":
			if attr(n, "id") == "" {
				t.Errorf("GET %s: a field without id, so without label", path)
			}
		}
		for _, a := range n.Attr {
			switch {
			case a.Key == "style" || strings.HasPrefix(a.Key, "on"):
				t.Errorf("GET %s: <%s %s=%q>: the policy forbids it", path, n.Data, a.Key, a.Val)
			case a.Key == "href" && !strings.HasPrefix(a.Val, "/") && !strings.HasPrefix(a.Val, "#"):
				t.Errorf("GET %s: leads out to %q", path, a.Val)
			case a.Key == "id" && ids[a.Val]:
				t.Errorf("GET %s: id %q twice", path, a.Val)
			case a.Key == "id":
				ids[a.Val] = true
			}
		}
	}
	for n := range doc.Descendants() { // what is referred to is there
		for _, key := range []string{"for", "aria-labelledby", "aria-describedby"} {
			if v := attr(n, key); v != "" && !ids[v] {
				t.Errorf("GET %s: %s=%q names nothing", path, key, v)
			}
		}
		if v := attr(n, "href"); n.Data == "use" && !ids[strings.TrimPrefix(v, "#")] {
			t.Errorf("GET %s: no drawing %q", path, v)
		}
	}
	return doc, text
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

// words is all text below a node, blanks made one.
func words(n *html.Node) string {
	var b strings.Builder
	for x := range n.Descendants() {
		if x.Type == html.TextNode {
			b.WriteString(x.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// all returns the elements of a name that have an attribute.
func all(doc *html.Node, name, key string) []*html.Node {
	var out []*html.Node
	for n := range doc.Descendants() {
		if n.Type == html.ElementNode && n.Data == name && slices.ContainsFunc(n.Attr, func(a html.Attribute) bool { return a.Key == key }) {
			out = append(out, n)
		}
	}
	return out
}
