package picture

import (
	"fmt"
	"math"
	"strings"
)

// startRow is the height of one lead's row.
func startRow(k part, o Options, r plot) float64 {
	if o.narrow() {
		return (4.1 + 1.2*float64(len(startLines(k, o, r)))) * o.Text
	}
	return max(2.6*o.Text, (float64(len(startLines(k, o, r)))+0.7)*1.2*o.small())
}

// startLines are the words beside a row.
func startLines(k part, o Options, r plot) []string {
	width := o.Width - margin - r.right
	if o.narrow() {
		width = o.Width - 2*margin
	}
	if k.crank.Sag == nil {
		return wrap(k.words(), o.small(), width, 3)
	}
	clauses := k.clauses()
	for i, c := range clauses { // a figure stays with its unit
		clauses[i] = strings.ReplaceAll(c, " ", "\u00a0")
	}
	return wrap(strings.Join(clauses, " "), o.small(), width, 6)
}

// startSigns explain the shapes of a start.
func startSigns(o Options) signList {
	l := signList{signs: []sign{
		{word: "before", draw: func(p *canvas, x0, x1, y, h float64) { p.beforeMark((x0+x1)/2, y, h) }},
		{word: "lowest ± (k = 2)", draw: func(p *canvas, x0, x1, y, h float64) { p.lowestMark((x0+x1)/2, y, h) }},
		{word: "while turning", draw: func(p *canvas, x0, x1, y, h float64) { p.turningMark((x0+x1)/2, y, h) }},
		{word: "a dip may have been lower", draw: func(p *canvas, x0, x1, y, h float64) { p.hiddenMark(x0+4, x1, y) }},
		{word: "no bound below", draw: func(p *canvas, x0, x1, y, h float64) { p.arrowMark(x1-4, y, h) }},
	}}
	l.lay(o)
	return l
}

// placedSigns draws the explanation from y on.
func (p *canvas) placedSigns(l signList, y float64, o Options) {
	p.open("g", "", "transform", "translate(0 "+number(y-margin)+")")
	p.signs(l, o)
	p.close("g")
}

func (p *canvas) beforeMark(x, y, h float64) {
	p.shape("circle", "kt-before", "", "cx", x, "cy", y, "r", h*0.3, "fill", colour("paper"), "stroke", colour("volts"), "stroke-width", 2.0)
}

func (p *canvas) turningMark(x, y, h float64) {
	p.line("kt-plateau", x, y-h*0.5, x, y+h*0.5, "volts", 4)
}

func (p *canvas) lowestMark(x, y, h float64) {
	p.shape("path", "kt-min", "", "d", fmt.Sprintf("M%s %sl%s %sv%sZ", number(x), number(y), number(h*0.55), number(-h*0.36), number(h*0.72)), "fill", colour("volts"))
}

func (p *canvas) hiddenMark(x0, x1, y float64) {
	p.shape("path", "kt-hidden", "", "d", fmt.Sprintf("M%s %sH%sm0 -3v6", number(x1), number(y), number(x0)), "stroke", colour("volts"), "stroke-width", 1.2, "stroke-dasharray", "2 2", "fill", "none")
}

func (p *canvas) arrowMark(x, y, h float64) {
	p.shape("path", "kt-or-below", "", "d", fmt.Sprintf("M%s %sh%sm5 -4l-5 4l5 4", number(x), number(y), number(-1.4*h)), "stroke", colour("volts"), "stroke-width", 1.4, "fill", "none")
}

// voltAxis draws round volts below the rows and the limits that were crossed
// above them.
func (p *canvas) voltAxis(o Options, x func(float64) float64, lo, hi float64, limits []float64, y0, y1 float64) {
	size := o.small()
	p.open("g", "kt-axis", "text-anchor", "middle")
	step := rounds(3.4 * o.Text * (hi - lo) / (x(hi) - x(lo)))
	var used taken
	for v := math.Ceil(lo/step) * step; v <= hi+1e-9; v += step {
		p.line("kt-grid", x(v), y0, x(v), y1, "grid", 0.6)
		label := plain(v) + " V"
		w := wide(label, size)
		at := min(max(x(v), margin+w/2), o.Width-margin-w/2)
		p.text("kt-volt", label, at, y1+1.3*size, size, "fill", colour("soft"))
	}
	for _, v := range limits {
		p.line("kt-limit", x(v), y0-3, x(v), y1, "soft", 1, "stroke-dasharray", "6 3")
		label := plain(v) + " V"
		if w := wide(label, size); used.free(box{x(v) - w/2 - 2, 0, x(v) + w/2 + 2, 1}) {
			p.text("kt-limit-word", label, x(v), y0-6, size)
		}
	}
	p.close("g")
}

// startLane draws one lead on the scale of volts.
func (p *canvas) startLane(k part, o Options, r plot, x func(float64) float64, top, height float64) {
	name, legend := k.name()
	p.open("g", "kt-start-lead", "data-lead", clean(k.lead.Lead), "data-id", clean(k.crank.ID))
	p.title(name + " " + legend + ": " + k.words())
	p.line("kt-rule", margin, top, o.Width-margin, top, "grid", 0.6)
	lines := startLines(k, o, r)
	y := top + height/2
	if o.narrow() {
		h := (1.5 + 1.2*float64(len(lines))) * o.Text
		p.shape("rect", "kt-ground", "", "x", 0.0, "y", top+0.5, "width", o.Width, "height", h, "fill", colour("paper"))
		p.names(o, name, legend, top+1.15*o.Text, o.Width-2*margin)
		for i, line := range lines {
			p.text("kt-below", line, margin, top+(2.35+1.2*float64(i))*o.Text, o.small(), "fill", colour("soft"))
		}
		y = top + h + (height-h)*0.62
	} else {
		p.names(o, name, legend, y+0.35*o.Text, r.x0-margin-6)
		for i, line := range lines {
			p.text("kt-below", line, r.right, y+0.35*o.small()+(float64(i)-float64(len(lines)-1)/2)*1.2*o.small(), o.small())
		}
	}
	h := 1.1 * o.Text
	g := k.crank.Sag
	if g == nil {
		p.hatch("kt-unknown", "", r.x0, y-h*0.35, r.x1, y+h*0.35, 6)
		p.close("g")
		return
	}
	lowest := x(float64(g.MinV))
	p.line("kt-fall", lowest, y, x(float64(g.BeforeV)), y, "volts", 1.2)
	if a, b := x(float64(g.MinV-2*g.MinUV)), x(float64(g.MinV+2*g.MinUV)); b-a > 2 {
		p.shape("path", "kt-whisker", "", "d", fmt.Sprintf("M%s %sv8m0 -4H%sm0 -4v8", number(a), number(y-4), number(b)), "stroke", colour("ink"), "stroke-width", 1.2, "fill", "none")
	}
	if g.AtOrBelow {
		p.arrowMark(lowest, y, h)
	} else if d := x(float64(g.MinV - g.HiddenDipV)); lowest-d > 2 {
		p.hiddenMark(d, lowest, y)
	}
	p.lowestMark(lowest, y, h)
	p.turningMark(x(float64(g.PlateauV)), y, h)
	p.beforeMark(x(float64(g.BeforeV)), y, h)
	size := o.small()
	word := lowestWord(g)
	p.text("kt-volts-word", word, max(r.x0, lowest-6-wide(word, size)), y-0.5*h, size, over("volts")...)
	p.close("g")
}
