package dashboard

import (
	"fmt"
	"hash/fnv"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// staleAfter is when a state is no longer taken for the present one: a bench speaks
// every 10 s at least.
const staleAfter = 15 * time.Second

// slotsMax is how many slots of a bench are shown; a box has 60 at most.
const slotsMax = 256

// mark is a state as it is shown: Shape names a drawing, Word says it.
type mark struct{ Shape, Word string }

// benchView is a bench as its part of a page shows it.
type benchView struct {
	ID       string
	Form     string // changes when the page must be built anew
	Presence mark
	Key      string
	KeyFrom  string // where the position is known from
	Steps    []step
	Battery  string
	Slots    []slotView
	Box      *boxView // that they sit in; nil: they are a list
	Refusing string
	Open     string // the key cycle that is open
	Last     string // the latest there is
	revision int    // of the latest
	age      time.Duration
	Heard    string // how old it is, in words
	Hold     string // why it is not the present state, whatever its age
	Stale    bool
	Software string
	Subject  string
	Before   beforeKey
	Far      bool // on a page with few enough slots to be read from 5 m
}

// AgeMS is how old it is, in milliseconds; -1: not known.
func (v benchView) AgeMS() int64 {
	if v.age < 0 {
		return ageUnknown
	}
	return v.age.Milliseconds()
}

// StaleWhy says why it is stale.
func (v benchView) StaleWhy() string {
	if v.Hold != "" {
		return v.Hold
	}
	return "last heard " + ago(max(0, v.age))
}

// step is one position of the key on the rail.
type step struct {
	Word string
	Here bool
}

// slotView is a slot as it is shown.
type slotView struct {
	Bench, Slot, Legend string
	mark
	Volts, Why string
	Odd        bool   // wants a look: shown large where the others are small
	Two        bool   // has more than one lead, so that its volts need a line
	Place      string // classes that put it where it sits in its box
}

// rail are the positions in the order a key goes through them.
var rail = []protocol.Position{protocol.PositionOff, protocol.PositionAccessory, protocol.PositionOn, protocol.PositionStart, protocol.PositionRunning}

// ageUnknown is the age of what nobody knows the age of.
const ageUnknown = -1

func (h *heard) view(now time.Time) benchView {
	v := benchView{ID: h.id, Presence: presenceMark(h.presence), Key: "not known", age: ageUnknown, Last: h.last.ID, revision: h.lastRevision}
	if h.bench != nil {
		v.Software, v.Subject = clean(h.bench.Software), clean(string(h.bench.Subject))
	}
	v.Slots, v.Box, v.Form = h.shared.of(h)
	v.Before = h.beforeKey(now)
	v.Form += v.Before.form()
	at := -1
	if n := h.now; n != nil {
		if n.Key != nil {
			at = slices.Index(rail, n.Key.Position)
			v.Key, v.KeyFrom = clean(report.Position(n.Key.Position)), clean(report.Source(n.Key.Source))
		}
		v.Refusing, v.Open = clean(string(n.Refusing)), clean(string(n.Cycle))
		v.Battery = h.battery()
		if !h.nowAt.IsZero() {
			v.age = max(0, now.Sub(h.nowAt))
		}
	}
	for i, p := range rail {
		v.Steps = append(v.Steps, step{report.Position(p), i == at})
	}
	v.Hold = h.hold()
	v.Heard = "not heard yet"
	if v.age >= 0 {
		v.Heard = "heard " + ago(v.age)
	}
	v.Stale = v.Hold != "" || v.age > staleAfter
	return v
}

// shared are the slots of a bench as all pages show them, put into words once.
type shared struct {
	once  sync.Once
	slots []slotView
	box   *boxView
	form  string
}

func (d *shared) of(h *heard) ([]slotView, *boxView, string) {
	d.once.Do(func() {
		if h.now != nil {
			d.slots = h.slots()
		}
		d.box = place(h.bench, d.slots)
		d.form = form(d.slots, d.box)
	})
	return d.slots, d.box, d.form
}

// hold says why what is shown is not the present state, whatever its age.
func (h *heard) hold() string {
	switch {
	case h.cut:
		return "the connection to the broker broke"
	case h.now == nil:
		return "nothing has been heard of its slots"
	case h.presence != nil && h.presence.State == protocol.Offline:
		return "the bench is switched off"
	case h.presence != nil && h.presence.State == protocol.CutOff:
		return "the connection to the bench broke"
	case h.nowAt.IsZero():
		return "kept by the broker; the bench has not spoken since"
	}
	return ""
}

func presenceMark(p *protocol.Presence) mark {
	if p == nil {
		return mark{"notknown", "presence not known"}
	}
	switch p.State {
	case protocol.Online:
		return mark{"online", "online"}
	case protocol.Offline:
		return mark{"offline", "offline"}
	case protocol.CutOff:
		return mark{"cutoff", "cut off"}
	}
	return mark{"notknown", clean(string(p.State))}
}

// slots puts each slot into a shape, a word and its volts.
func (h *heard) slots() []slotView {
	leads := map[string][]protocol.BenchLead{}
	volts := map[string]*protocol.Volts{}
	if h.bench != nil {
		for _, l := range h.bench.Leads {
			leads[string(l.Slot)] = append(leads[string(l.Slot)], l)
		}
	}
	for _, l := range h.now.Leads {
		volts[l.Lead] = l.V
	}
	var out []slotView
	for i, s := range h.now.Slots {
		if i == slotsMax {
			break
		}
		v := slotView{Bench: h.id, Slot: clean(s.Slot), Legend: clean(string(s.Legend)), Why: clean(string(s.Reason))}
		v.Two = len(leads[s.Slot]) > 1
		ghost := false
		var reads []string
		for _, l := range leads[s.Slot] {
			if x := volts[l.Lead]; x != nil {
				reads = append(reads, strings.TrimSpace(clean(string(l.Side))+" "+voltsText(x)))
				ghost = ghost || h.ghosts[l.Lead]
			}
		}
		v.Volts = strings.Join(reads, ", ")
		v.mark, v.Odd = slotMark(s.State, ghost)
		out = append(out, v)
	}
	return out
}

// slotMark says what a slot's state looks like. A ghost is a slot without volts that
// stands at a few all the same.
func slotMark(s protocol.State, ghost bool) (m mark, odd bool) {
	switch {
	case s == protocol.Live:
		return mark{"live", report.State(s)}, false
	case s == protocol.Dead && ghost:
		return mark{"ghost", "ghost"}, true
	case s == protocol.Dead:
		return mark{"dead", report.State(s)}, false
	case s == protocol.Unknown:
		return mark{"unknown", report.State(s)}, true
	}
	return mark{"unknown", clean(report.State(s))}, true
}

func voltsText(v *protocol.Volts) string {
	x := math.Round(float64(*v)*100) / 100
	if x == 0 {
		x = 0 // never -0.00
	}
	return fmt.Sprintf("%.2f V", x)
}

// battery is the battery sense lead's reading; empty without one.
func (h *heard) battery() string {
	if h.bench == nil || h.bench.BatterySense == "" {
		return ""
	}
	for _, l := range h.now.Leads {
		if l.Lead == string(h.bench.BatterySense) && l.V != nil {
			return voltsText(l.V)
		}
	}
	return ""
}

// form names a page's make-up: which slots it has, with which legends, which of them
// have two leads, and where they sit.
func form(slots []slotView, box *boxView) string {
	sum := fnv.New64a()
	fmt.Fprintln(sum, box.form(slots))
	for _, s := range slots {
		fmt.Fprintf(sum, "%q %q %t\n", s.Slot, s.Legend, s.Two)
	}
	return fmt.Sprintf("%x", sum.Sum64())
}
