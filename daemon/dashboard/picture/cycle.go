package picture

import (
	"cmp"
	"fmt"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// plot is where time is drawn, and what stands beside it.
type plot struct {
	x0, x1 float64
	right  float64 // where the words at the right begin
}

// margin is left free at the edges of a picture.
const margin = 8.0

// plotOf gives the words at either side what they need, within limits: time is
// what the picture is about.
func plotOf(c *protocol.Cycle, o Options) plot {
	if o.narrow() {
		return plot{margin, o.Width - margin, 0}
	}
	left, right := 4*o.Text, 8*o.Text
	for i := range c.Slots {
		s := &c.Slots[i]
		w := wide(clean(s.Slot), bold*o.Text) + 6 + wide(clean(string(s.Legend)), o.Text)
		if len(s.Leads) > 1 {
			w += 3.5 * o.Text
		}
		left = max(left, w+10)
		right = max(right, wide(report.Behaviour(s), o.small())+12)
	}
	left = min(left, 0.22*o.Width)
	right = min(right, 0.26*o.Width)
	return plot{margin + left, o.Width - margin - right, o.Width - margin - right + 8}
}

// lane is the place of one slot.
type lane struct {
	slot      *protocol.CycleSlot
	y, height float64
}

// Cycle draws a whole key cycle: where the key stood behind, a lane for each slot,
// time below, the battery's starts beneath.
func Cycle(c *protocol.Cycle, o Options) []byte {
	o = o.set()
	r := plotOf(c, o)
	s := newScale(c, o, r)
	bs := bands(c, s.whole())
	fs, rows := flags(bs, &s, o)

	signs := laidOut(o)
	top := margin + signs.height
	heads := top + float64(rows)*1.45*o.small() + 4
	y := heads
	var lanes []lane
	for i := range c.Slots {
		h := laneHeight(&c.Slots[i], o, r)
		lanes = append(lanes, lane{&c.Slots[i], y, h})
		y += h
	}
	if len(lanes) == 0 {
		y += 2 * o.Text
	}
	end := y
	panel := end + 3*o.small()
	bottom := panel + batteryHeight(c, o)
	if o.WithoutStarts {
		bottom = end + 0.5*o.small()
	}
	height := bottom + axisHeight(&s, o) + 4

	p := &canvas{}
	p.begin("kt-cycle", "Key cycle "+clean(c.ID), Sentence(cmp.Or(o.Told, c)), o, height)
	p.signs(signs, o)
	p.keyBands(bs, &s, heads-2, bottom)
	p.grid(&s, o, heads-2, bottom)
	p.keyEdges(fs, &s, o, top, bottom, heads-2)
	for _, l := range lanes {
		p.lane(&s, o, r, l)
	}
	if len(lanes) == 0 {
		p.text("kt-none", "no slots in this cycle", r.x0+4, heads+1.2*o.Text, o.Text, over("soft")...)
	}
	if !o.WithoutStarts {
		p.battery(c, &s, o, r.x0, r.x1, panel, bottom, o.narrow())
	}
	p.breaks(&s, o, heads-2, bottom)
	for _, l := range lanes {
		p.laneWords(o, r, l)
	}
	if !o.WithoutStarts {
		p.text("kt-panel", "Battery while cranking", margin, end+1.5*o.small(), o.small(), append(over("ink"), "font-weight", "bold")...)
	}
	p.line("kt-base", r.x0, bottom, r.x1, bottom, "ink", 1)
	p.axis(&s, o, bottom, "seconds from the first turn of the key")
	if !c.Final {
		p.shape("path", "kt-open", "this cycle goes on", "d", fmt.Sprintf("M%s %sV%s", number(r.x1), number(heads-2), number(bottom)),
			"stroke", colour("ink"), "stroke-width", 2.0, "stroke-dasharray", "2 4", "fill", "none")
	}
	p.close("svg")
	return p.Bytes()
}

// barHeight is that of a live bar; rowHeight what a lead takes.
func barHeight(o Options) float64 { return 1.25 * o.Text }

func rowHeight(s *protocol.CycleSlot, o Options) float64 {
	if o.narrow() && len(s.Leads) > 1 {
		return 2.7 * o.Text // its side is written above
	}
	return 1.75 * o.Text
}

func laneHeight(s *protocol.CycleSlot, o Options, r plot) float64 {
	h := float64(max(1, len(s.Leads))) * rowHeight(s, o)
	if o.narrow() {
		return h + float64(1+len(behaviourLines(s, o, o.Width-2*margin)))*1.3*o.Text
	}
	return max(h, float64(max(2, len(behaviourLines(s, o, o.Width-margin-r.right))))*1.2*o.small()) + 0.5*o.Text
}

// behaviourLines are the words beside a lane.
func behaviourLines(s *protocol.CycleSlot, o Options, width float64) []string {
	lines := wrap(clean(report.Behaviour(s)), o.small(), width, 2)
	if s.StaysOnOpen && s.StaysOnS != nil && len(lines) < 2 {
		lines = append(lines, fit(report.OffAfter(s), o.small(), width))
	} else if off := report.OffAfter(s); off != "" && off != "at once" && len(lines) < 2 {
		lines = append(lines, fit("off after "+off, o.small(), width))
	}
	n := 0
	for _, l := range s.Leads {
		n += l.LeftOut
	}
	if n > 0 {
		lines = append(lines, fit(fmt.Sprintf("%d changes not listed", n), o.small(), width))
	}
	return lines
}

// lane draws one slot's leads.
func (p *canvas) lane(s *Scale, o Options, r plot, l lane) {
	slot := l.slot
	p.open("g", "kt-slot", "data-slot", clean(slot.Slot))
	if len(slot.Leads) == 0 {
		y, h := l.middle(0, o), barHeight(o)*0.4
		p.hatch("kt-unknown", "no lead tells of this slot", r.x0, y-h, r.x1, y+h, 6)
		p.stateWord(o, protocol.Unknown, r.x0, r.x1, y)
	}
	for i := range slot.Leads {
		p.row(s, o, slot, &slot.Leads[i], s.whole(), l.middle(i, o), barHeight(o))
	}
	p.close("g")
}

// leadsHeight is what a lane's leads take of it.
func (l lane) leadsHeight(o Options) float64 {
	return float64(max(1, len(l.slot.Leads))) * rowHeight(l.slot, o)
}

// middle is the height of the i-th lead's bar. Where the lane's words stand above,
// the leads are at its foot, each below the word for its side.
func (l lane) middle(i int, o Options) float64 {
	y := (float64(i) + 0.5) * rowHeight(l.slot, o)
	if !o.narrow() {
		return l.y + (l.height-l.leadsHeight(o))/2 + y
	}
	if len(l.slot.Leads) > 1 {
		y += 0.45 * o.Text
	}
	return l.y + l.height - l.leadsHeight(o) + y
}

// laneWords writes a slot's name and legend, its leads' sides, what it does. They
// come after the breaks, which would tear a name above a lane.
func (p *canvas) laneWords(o Options, r plot, l lane) {
	slot := l.slot
	p.open("g", "kt-slot-words")
	name, legend := clean(slot.Slot), clean(string(slot.Legend))
	if o.narrow() {
		width := o.Width - 2*margin
		// The words stand on plain ground: the key's edges would run through them.
		p.shape("rect", "kt-ground", "", "x", 0.0, "y", l.y+0.5, "width", o.Width, "height", l.height-l.leadsHeight(o)-0.5, "fill", colour("paper"))
		p.names(o, name, legend, l.y+1.15*o.Text, width)
		for i, line := range behaviourLines(slot, o, width) {
			p.text("kt-behaviour", line, margin, l.y+(2.35+1.25*float64(i))*o.Text, o.small(), "fill", colour("soft"))
		}
	} else {
		side := 0.0
		if len(slot.Leads) > 1 {
			side = 3.5 * o.Text
		}
		mid := l.y + l.height/2 + 0.35*o.Text
		p.names(o, name, legend, mid, r.x0-margin-6-side)
		lines := behaviourLines(slot, o, o.Width-margin-r.right)
		for i, line := range lines {
			p.text("kt-behaviour", line, r.right, mid+(float64(i)-float64(len(lines)-1)/2)*1.2*o.small(), o.small())
		}
	}
	for i := range slot.Leads {
		side, y := sideWord(&slot.Leads[i]), l.middle(i, o)
		switch {
		case len(slot.Leads) == 1:
		case o.narrow():
			p.text("kt-side", fit(side, o.small(), r.x1-r.x0), r.x0, y-barHeight(o)/2-3, o.small(), over("soft")...)
		default:
			p.text("kt-side", fit(side, o.small(), 3.5*o.Text), r.x0-6, y+0.35*o.small(), o.small(), "text-anchor", "end", "fill", colour("soft"))
		}
	}
	p.line("kt-rule", margin, l.y, o.Width-margin, l.y, "grid", 0.6)
	p.close("g")
}

// names writes a slot and its legend on one line; what is cut is in the title.
func (p *canvas) names(o Options, name, legend string, y, width float64) {
	p.open("g", "kt-name")
	p.title(name + " " + legend)
	name = fit(name, bold*o.Text, width)
	p.text("kt-slot-name", name, margin, y, o.Text, append(over("ink"), "font-weight", "bold")...)
	w := wide(name, bold*o.Text) + 6
	if legend = fit(legend, o.Text, width-w); legend != "" {
		p.text("kt-legend", legend, margin+w, y, o.Text, over("ink")...)
	}
	p.close("g")
}

// sideWord names a lead among those of its slot.
func sideWord(l *protocol.CycleLead) string {
	if l.Side != "" {
		return clean(string(l.Side))
	}
	return clean(l.Lead)
}
