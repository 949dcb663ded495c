package picture

import (
	"cmp"
	"math"
	"slices"

	"keyturn/protocol"
)

// Segment is a stretch of time and the stretch of the picture that it takes.
type Segment struct {
	FromNS, ToNS int64
	X0, X1       float64 // pixels
	// Cut says that the segment is a break: idle time squeezed into a few pixels and
	// labelled with its length. All segments that are none have one scale.
	Cut bool
}

// Scale maps the bench's clock to positions across a picture: straight lines, one
// after the other.
type Scale struct {
	ZeroNS   int64 // the first turn of the key, from which report counts, too
	Segments []Segment
}

// X returns the position of an instant; one outside of the picture is at its edge.
func (s *Scale) X(ns int64) float64 {
	for i := range s.Segments {
		g := &s.Segments[i]
		if ns <= g.ToNS || i == len(s.Segments)-1 {
			ns = min(max(ns, g.FromNS), g.ToNS)
			return g.X0 + (g.X1-g.X0)*ratio(span(g.FromNS, ns), span(g.FromNS, g.ToNS))
		}
	}
	return 0
}

// fromNS and toNS are the ends of what is drawn.
func (s *Scale) fromNS() int64 { return s.Segments[0].FromNS }
func (s *Scale) toNS() int64   { return s.Segments[len(s.Segments)-1].ToNS }

// whole is all of the time that is drawn.
func (s *Scale) whole() stretch { return stretch{from: s.fromNS(), to: s.toNS()} }

// span is the time from a to b ≥ a. The difference of any two int64 fits a uint64.
func span(a, b int64) float64 { return float64(uint64(b) - uint64(a)) }

func ratio(a, b float64) float64 {
	if b == 0 {
		return 0
	}
	return a / b
}

// later is ns + d, held within int64.
func later(ns, d int64) int64 {
	switch {
	case d > 0 && ns > math.MaxInt64-d:
		return math.MaxInt64
	case d < 0 && ns < math.MinInt64-d:
		return math.MinInt64
	}
	return ns + d
}

const (
	// idleNS is the longest time without any event that is drawn to scale, where
	// there is room for a break.
	idleNS = 10e9
	// besideNS of an idle time stay to scale at either end, so that one sees that
	// nothing happened right after an event.
	besideNS = 1.5e9
	// aheadNS is drawn before the first event: the key was off.
	aheadNS = 2e9
	// cutWidth is the width of a break in text sizes, cutsPart the part of the
	// picture that all of them may take, cutsMost how many a reader can follow.
	cutWidth = 2.6
	cutsPart = 0.22
	cutsMost = 4
)

// TimeScale is the mapping by which Cycle draws c.
//
// One scale for all would let four minutes of staying on squeeze the three seconds
// in which everything happens. A logarithmic one would make equal times look
// unequal. So idle time is cut out: the longest stretches without an event, if
// longer than 10 s, four at most and fewer where the picture is narrow, become breaks
// of a few pixels; all else is drawn to one scale.
func TimeScale(c *protocol.Cycle, o Options) Scale {
	o = o.set()
	return newScale(c, o, plotOf(c, o))
}

func newScale(c *protocol.Cycle, o Options, r plot) Scale {
	w := watched(c)
	return scaleOf(zero(c), append(append(instants(c), zero(c), w.from), w.to), o, r)
}

// watched is the time that a cycle is drawn for: from a little before its first event,
// if it was watched then, to when the document was made.
func watched(c *protocol.Cycle) stretch {
	at := append(instants(c), zero(c))
	first, last := slices.Min(at), slices.Max(at)
	w := stretch{from: later(first, -aheadNS), to: max(c.MonoNS, later(last, 0.5e9))}
	var seconds protocol.Seconds
	for i := range c.Slots {
		seconds = max(seconds, c.Slots[i].WatchedS)
	}
	if begin := later(c.MonoNS, -int64(min(float64(seconds)*1e9, 1e18))); seconds > 0 && begin < first {
		w.from = max(w.from, begin)
	}
	return w
}

// scaleOf lays out the time from the first to the last of the instants of all events.
func scaleOf(zeroNS int64, at []int64, o Options, r plot) Scale {
	s := Scale{ZeroNS: zeroNS}
	slices.Sort(at)
	at = slices.Compact(at)
	from, to := at[0], at[len(at)-1]
	most := min(cutsMost, int(cutsPart*(r.x1-r.x0)/(cutWidth*o.Text)))
	cuts := longestIdle(at, most)
	kept := span(from, to)
	for _, g := range cuts {
		kept -= span(g.FromNS, g.ToNS)
	}
	room := r.x1 - r.x0 - float64(len(cuts))*cutWidth*o.Text
	x, ns := r.x0, from
	linear := func(until int64) {
		if until > ns {
			w := room * ratio(span(ns, until), kept)
			s.Segments = append(s.Segments, Segment{FromNS: ns, ToNS: until, X0: x, X1: x + w})
			x, ns = x+w, until
		}
	}
	for _, g := range cuts {
		linear(g.FromNS)
		g.X0, g.X1, g.Cut = x, x+cutWidth*o.Text, true
		s.Segments = append(s.Segments, g)
		x, ns = g.X1, g.ToNS
	}
	linear(to)
	return s
}

// longestIdle returns what to cut between instants, in their order.
func longestIdle(at []int64, most int) []Segment {
	var gaps []Segment
	for i := 1; i < len(at); i++ {
		if span(at[i-1], at[i]) > idleNS {
			gaps = append(gaps, Segment{FromNS: at[i-1] + besideNS, ToNS: at[i] - besideNS})
		}
	}
	slices.SortStableFunc(gaps, func(a, b Segment) int {
		return cmp.Compare(span(b.FromNS, b.ToNS), span(a.FromNS, a.ToNS))
	})
	gaps = gaps[:min(most, len(gaps))]
	slices.SortFunc(gaps, func(a, b Segment) int { return cmp.Compare(a.FromNS, b.FromNS) })
	return gaps
}

// zero is the instant from which a cycle's times are told.
func zero(c *protocol.Cycle) int64 {
	if len(c.Key) > 0 {
		return c.Key[0].AtNS
	}
	if at := instants(c); len(at) > 0 {
		return slices.Min(at)
	}
	return c.MonoNS
}

// instants lists everything in a cycle that has a place in time.
func instants(c *protocol.Cycle) []int64 {
	var at []int64
	for _, k := range c.Key {
		at = append(at, k.AtNS)
	}
	each(c, func(_ *protocol.CycleSlot, l *protocol.CycleLead) {
		for _, t := range l.Transitions {
			at = append(at, t.AtNS)
		}
		for _, k := range l.Crank {
			at = append(at, k.BeginsNotAfterNS, k.EndsNS)
		}
	})
	return at
}

// each visits the battery's lead, with a nil slot, and those of the slots.
func each(c *protocol.Cycle, visit func(s *protocol.CycleSlot, l *protocol.CycleLead)) {
	if c.Battery != nil {
		visit(nil, c.Battery)
	}
	for i := range c.Slots {
		for k := range c.Slots[i].Leads {
			visit(&c.Slots[i], &c.Slots[i].Leads[k])
		}
	}
}
