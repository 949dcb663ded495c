package picture

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// part is one lead's entry of a start.
type part struct {
	slot  *protocol.CycleSlot // nil for the battery's
	lead  *protocol.CycleLead
	crank *protocol.Crank
}

// starts gathers the entries of a cycle by start: those whose times meet are of
// one. The battery's come first in each.
func starts(c *protocol.Cycle) [][]part {
	var all []part
	each(c, func(s *protocol.CycleSlot, l *protocol.CycleLead) {
		for i := range l.Crank {
			all = append(all, part{s, l, &l.Crank[i]})
		}
	})
	order := make([]int, len(all))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		x, y := all[a].crank.BeginsNotBeforeNS, all[b].crank.BeginsNotBeforeNS
		switch {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	var groups [][]int
	end := int64(math.MinInt64)
	for _, i := range order {
		k := all[i].crank
		if len(groups) == 0 || k.BeginsNotBeforeNS >= end {
			groups = append(groups, nil)
			end = k.EndsNS
		}
		g := &groups[len(groups)-1]
		*g = append(*g, i)
		end = max(end, k.EndsNS)
	}
	var out [][]part
	for _, g := range groups {
		slices.Sort(g) // back into the box's order
		var ps []part
		for _, i := range g {
			ps = append(ps, all[i])
		}
		out = append(out, ps)
	}
	return out
}

// Starts returns how many starts a cycle tells of; Start draws each.
func Starts(c *protocol.Cycle) int { return len(starts(c)) }

// Start draws the n-th start of a cycle, from 0, enlarged: the battery over time,
// then each lead that was live, on one scale of volts, so that what is lost on the
// way to a slot is seen as a shift against the battery. It returns nil where there
// is no such start.
func Start(c *protocol.Cycle, n int, o Options) []byte {
	all := starts(c)
	if n < 0 || n >= len(all) {
		return nil
	}
	o = o.set()
	parts := all[n]
	r := startPlot(parts, o)
	var measured []*protocol.Sag
	for _, k := range parts {
		if k.crank.Sag != nil {
			measured = append(measured, k.crank.Sag)
		}
	}
	lo, hi := voltRange(measured)
	limits := crossed(parts, lo, hi)

	head := margin + 1.3*o.Text
	panel := head + 1.4*o.small()
	bottom := panel
	if parts[0].slot == nil {
		bottom += 12 * o.Text
	}
	s := startScale(parts, r)
	legend := bottom + 1.5*o.Text
	if parts[0].slot == nil {
		legend += axisHeight(&s, o)
	}
	signs := startSigns(o)
	top := legend + signs.height + 2.2*o.small()
	y := top
	heights := make([]float64, len(parts))
	for i, k := range parts {
		heights[i] = startRow(k, o, r)
		y += heights[i]
	}
	height := y + 2.6*o.small()

	p := &canvas{}
	p.begin("kt-start-picture", fmt.Sprintf("Start %d of %d in key cycle %s", n+1, len(all), clean(c.ID)), StartSentence(c, n), o, height)
	when := (&Scale{ZeroNS: zero(c)}).seconds(parts[0].crank.BeginsNotAfterNS)
	p.text("kt-panel", fmt.Sprintf("Start %d of %d, at %.2f s, %s long", n+1, len(all), when, report.Seconds(length(parts[0].crank))),
		margin, margin+o.Text, o.Text, "font-weight", "bold")
	if parts[0].slot == nil {
		v := voltScale{lo, hi, panel, bottom}
		p.voltGrid(v, o, r.x0, r.x1, o.narrow())
		p.grid(&s, o, panel, bottom)
		p.story(&s, v, o, parts[0].crank, r.x0)
		p.figures(&s, v, o, []protocol.Crank{*parts[0].crank})
		p.line("kt-base", r.x0, bottom, r.x1, bottom, "ink", 1)
		p.axis(&s, o, bottom, "")
		p.text("kt-axis-words", "battery; seconds from the start's begin", r.x0, bottom+2.5*o.small(), o.small(), "fill", colour("soft"))
	}
	x := func(volts float64) float64 {
		return r.x0 + (r.x1-r.x0)*(min(max(volts, lo), hi)-lo)/(hi-lo)
	}
	p.placedSigns(signs, legend, o)
	p.voltAxis(o, x, lo, hi, limits, top, y)
	for i, k := range parts {
		p.startLane(k, o, r, x, top, heights[i])
		top += heights[i]
	}
	p.close("svg")
	return p.Bytes()
}

// length is how long a start lasted, in seconds.
func length(k *protocol.Crank) float64 {
	if k.EndsNS < k.BeginsNotAfterNS {
		return 0
	}
	return span(k.BeginsNotAfterNS, k.EndsNS) * 1e-9
}

// startScale is the time of a start with something before and after, from its
// begin.
func startScale(parts []part, r plot) Scale {
	from, to := int64(math.MaxInt64), int64(math.MinInt64)
	for _, k := range parts {
		from = min(from, k.crank.BeginsNotBeforeNS)
		to = max(to, k.crank.EndsNS)
		if k.crank.Sag != nil && k.crank.RecoveredMS != nil {
			to = max(to, later(k.crank.EndsNS, int64(min(max(float64(*k.crank.RecoveredMS)*1e6, 0), 1e15))))
		}
	}
	if to <= from {
		to = later(from, 1)
	}
	beside := int64(min(span(from, to)*0.12, 1e17))
	return Scale{ZeroNS: parts[0].crank.BeginsNotAfterNS, Segments: []Segment{{FromNS: later(from, -beside), ToNS: later(to, beside), X0: r.x0, X1: r.x1}}}
}

// startPlot leaves the words of the leads their place.
func startPlot(parts []part, o Options) plot {
	if o.narrow() {
		return plot{margin + 4, o.Width - margin - 4, 0}
	}
	left := 8 * o.Text
	for _, k := range parts {
		name, legend := k.name()
		left = max(left, wide(name, bold*o.Text)+wide(legend, o.Text)+16)
	}
	left = min(left, 0.25*o.Width)
	right := 0.34 * o.Width
	return plot{margin + left, o.Width - margin - right, o.Width - margin - right + 14}
}

// name is how a part is called.
func (k part) name() (name, legend string) {
	if k.slot == nil {
		return "Battery", ""
	}
	name, legend = clean(k.slot.Slot), clean(string(k.slot.Legend))
	if len(k.slot.Leads) > 1 {
		legend = strings.TrimSpace(legend + ", " + sideWord(k.lead))
	}
	return name, legend
}

// crossed lists the limits that any lead fell below, falling.
func crossed(parts []part, lo, hi float64) []float64 {
	var out []float64
	for _, k := range parts {
		if k.crank.Sag == nil {
			continue
		}
		for _, b := range k.crank.Below {
			if v := float64(b.V); b.MSMax > 0 && v > lo && v < hi && !slices.Contains(out, v) {
				out = append(out, v)
			}
		}
	}
	slices.Sort(out)
	slices.Reverse(out)
	return out
}

// StartSentence says in words what Start draws.
func StartSentence(c *protocol.Cycle, n int) string {
	all := starts(c)
	if n < 0 || n >= len(all) {
		return ""
	}
	var parts []string
	for _, k := range all[n] {
		name, legend := k.name()
		parts = append(parts, strings.TrimSpace(name+" "+legend)+": "+k.words())
	}
	return printable(fmt.Sprintf("Start %d of %d lasted %s. %s.", n+1, len(all), report.Seconds(length(all[n][0].crank)), strings.Join(parts, "; ")))
}

// words tell a part's figures.
func (k part) words() string {
	g := k.crank.Sag
	if g == nil {
		return "not measured: " + clean(string(k.crank.NotMeasured))
	}
	return fmt.Sprintf("from %.2f V down to %s, %.2f V while turning; %s", float64(g.BeforeV), lowestWord(g), float64(g.PlateauV), strings.Join(k.clauses(), " "))
}

// clauses tell how long a lead was below each limit, and its return.
func (k part) clauses() []string {
	g := k.crank.Sag
	var out []string
	for _, b := range g.Below {
		switch {
		case b.MS > 0:
			out = append(out, fmt.Sprintf("%s V for %s,", plain(float64(b.V)), report.Seconds(float64(b.MS)*1e-3)))
		case b.MSMax > 0:
			out = append(out, fmt.Sprintf("%s V perhaps,", plain(float64(b.V))))
		}
	}
	if len(out) > 0 {
		out[0] = "below " + out[0]
		last := &out[len(out)-1]
		*last = strings.TrimSuffix(*last, ",") + ";"
	}
	return append(out, recovery(g))
}
