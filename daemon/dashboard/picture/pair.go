package picture

import (
	"slices"
	"strings"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// PairLane is a slot of a Pair: a lane is drawn for each, in their order.
type PairLane struct {
	Slot string
	Word string // said in bold beside the lane, such as "differs"; may be empty
}

// pairCycle is one of the two, its instants counted from its key-on.
type pairCycle struct {
	which string
	*protocol.Cycle
	watched stretch
}

// pairRow is one lead of a lane; its lead is nil where the slot was not under test.
type pairRow struct {
	of   *pairCycle
	slot *protocol.CycleSlot
	lead *protocol.CycleLead
	word string // at its left
}

// pairLane is the place of one slot.
type pairLane struct {
	name, legend string
	rows         []pairRow
	said         []string // at its right; the first is bold where strong
	strong       bool
	y, height    float64
}

// Pair draws two key cycles on one time from key-on: where the key stood in each, then
// a lane for each slot with the first above the second. Each is drawn only for the time
// that it was watched.
func Pair(before, after *protocol.Cycle, slots []PairLane, o Options) []byte {
	o = o.set()
	two := [2]*pairCycle{fromKeyOn("before", before), fromKeyOn("after", after)}
	lanes := pairLanes(two, slots)
	r := pairPlot(lanes, o)
	s := pairScale(two, o, r)

	signs := laidOut(o)
	keys := margin + signs.height
	first, second := newPairKey(two[0], &s, o), newPairKey(two[1], &s, o)
	y := keys + first.height(o) + second.height(o)
	slotsAt := y
	for i := range lanes {
		l := &lanes[i]
		l.fold(o, o.Width-margin-r.right)
		l.y, l.height = y, l.needs(o)
		y += l.height
	}
	if len(lanes) == 0 {
		y += 2 * o.Text
	}
	p := &canvas{}
	p.begin("kt-pair", "Key cycles "+clean(before.ID)+" and "+clean(after.ID), PairSentence(before, after, slots), o, y+axisHeight(&s, o)+4)
	p.signs(signs, o)
	p.grid(&s, o, keys, y)
	p.pairKey(&first, &s, o, r, keys)
	p.pairKey(&second, &s, o, r, keys+first.height(o))
	for i := range lanes {
		p.pairLane(&lanes[i], &s, o)
	}
	if len(lanes) == 0 {
		p.text("kt-none", "no slots in these cycles", r.x0+4, slotsAt+1.2*o.Text, o.Text, over("soft")...)
	}
	p.breaks(&s, o, keys, y)
	for i := range lanes {
		p.pairWords(&lanes[i], o, r, pairSide(lanes, o))
	}
	p.line("kt-base", r.x0, y, r.x1, y, "ink", 1)
	p.axis(&s, o, y, "seconds from key-on")
	p.close("svg")
	return p.Bytes()
}

// PairScale is the mapping by which Pair draws; its zero is key-on.
func PairScale(before, after *protocol.Cycle, slots []PairLane, o Options) Scale {
	o = o.set()
	two := [2]*pairCycle{fromKeyOn("before", before), fromKeyOn("after", after)}
	return pairScale(two, o, pairPlot(pairLanes(two, slots), o))
}

// PairSentence says in words what a Pair shows, for those who do not see it.
func PairSentence(before, after *protocol.Cycle, slots []PairLane) string {
	var said []string
	for _, l := range slots {
		if l.Word != "" {
			said = append(said, l.Slot+" "+l.Word)
		}
	}
	text := "Two key cycles on one time from key-on. "
	if len(said) > 0 {
		text += strings.Join(said, ", ") + ". "
	}
	return printable(text + "Before: " + Sentence(before) + " After: " + Sentence(after))
}

// KeyOn is the instant from which a Pair counts: the first move to on, or the first
// move at all where there was none.
func KeyOn(c *protocol.Cycle) int64 {
	if i := slices.IndexFunc(c.Key, func(k protocol.KeyMove) bool { return k.Position == protocol.PositionOn }); i >= 0 {
		return c.Key[i].AtNS
	}
	return zero(c)
}

// fromKeyOn is a copy of a cycle with its instants counted from key-on. The battery is
// left out: a Pair shows none.
func fromKeyOn(which string, c *protocol.Cycle) *pairCycle {
	on := KeyOn(c)
	since := func(ns int64) int64 { // held within what can be added to
		if ns >= on {
			return int64(min(span(on, ns), 1e18))
		}
		return -int64(min(span(ns, on), 1e18))
	}
	out := *c
	out.MonoNS, out.Battery = since(c.MonoNS), nil
	out.Key = slices.Clone(c.Key)
	for i := range out.Key {
		out.Key[i].AtNS = since(out.Key[i].AtNS)
	}
	out.Slots = slices.Clone(c.Slots)
	for i := range out.Slots {
		leads := slices.Clone(out.Slots[i].Leads)
		for k := range leads {
			leads[k].Crank = slices.Clone(leads[k].Crank)
			for n := range leads[k].Crank {
				x := &leads[k].Crank[n]
				x.BeginsNotBeforeNS, x.BeginsNotAfterNS, x.EndsNS = since(x.BeginsNotBeforeNS), since(x.BeginsNotAfterNS), since(x.EndsNS)
			}
			leads[k].Transitions = slices.Clone(leads[k].Transitions)
			for n := range leads[k].Transitions {
				t := &leads[k].Transitions[n]
				t.AtNS, t.NotBeforeNS, t.NotAfterNS = since(t.AtNS), since(t.NotBeforeNS), since(t.NotAfterNS)
			}
		}
		out.Slots[i].Leads = leads
	}
	return &pairCycle{which, &out, watched(&out)}
}

func pairScale(two [2]*pairCycle, o Options, r plot) Scale {
	at := []int64{0}
	for _, c := range two {
		at = append(append(at, instants(c.Cycle)...), c.watched.from, c.watched.to)
	}
	return scaleOf(0, at, o, r)
}

// pairLanes finds the slots in both cycles.
func pairLanes(two [2]*pairCycle, slots []PairLane) (out []pairLane) {
	for _, want := range slots {
		l := pairLane{name: clean(want.Slot), strong: want.Word != ""}
		if l.strong {
			l.said = append(l.said, clean(want.Word))
		}
		var does [2]string
		for n, c := range two {
			i := slices.IndexFunc(c.Slots, func(s protocol.CycleSlot) bool { return s.Slot == want.Slot })
			if i < 0 {
				l.rows = append(l.rows, pairRow{of: c, word: c.which})
				continue
			}
			s := &c.Slots[i]
			l.legend, does[n] = clean(string(s.Legend)), clean(report.Behaviour(s))
			l.rows = append(l.rows, pairRows(c, s)...)
		}
		switch {
		case does[0] == does[1]:
			l.said = append(l.said, does[0])
		default:
			for n, text := range does {
				if text != "" {
					l.said = append(l.said, two[n].which+": "+text)
				}
			}
		}
		out = append(out, l)
	}
	return out
}

func pairRows(c *pairCycle, s *protocol.CycleSlot) (out []pairRow) {
	for i := range s.Leads {
		word := c.which
		if len(s.Leads) > 1 {
			word += " " + sideWord(&s.Leads[i])
		}
		out = append(out, pairRow{c, s, &s.Leads[i], word})
	}
	if len(out) == 0 {
		out = append(out, pairRow{of: c, slot: s, word: c.which})
	}
	return out
}
