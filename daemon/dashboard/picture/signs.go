package picture

import (
	"keyturn/protocol"
)

// sign explains one shape in words.
type sign struct {
	word string
	x, y float64
	draw func(p *canvas, x0, x1, y, h float64)
}

// signList is the explanation of the shapes, laid out.
type signList struct {
	signs  []sign
	height float64
}

// signWidth is how wide a sample of a shape is, in text sizes.
const signWidth = 2.2

// laidOut is the explanation of a cycle, in as many rows as the width needs.
func laidOut(o Options) signList {
	state := func(s protocol.State) func(p *canvas, x0, x1, y, h float64) {
		return func(p *canvas, x0, x1, y, h float64) { p.stretch(s, "", x0, x1, y, h) }
	}
	l := signList{signs: []sign{
		{word: "live", draw: state(protocol.Live)},
		{word: "no volts", draw: state(protocol.Dead)},
		{word: "unknown", draw: state(protocol.Unknown)},
		{word: "change ± (k = 2) in its bracket", draw: func(p *canvas, x0, x1, y, h float64) {
			m := (x0 + x1) / 2
			p.shape("rect", "kt-bracket", "", "x", x0+2, "y", y-h/2, "width", x1-x0-4, "height", h, "fill", colour("paper"), "stroke", colour("ink"), "stroke-width", 0.8)
			p.shape("path", "kt-whisker", "", "d", "M"+number(m-6)+" "+number(y-3)+"v6m0 -3h12m0 -3v6", "stroke", colour("ink"), "stroke-width", 1.2, "fill", "none")
			p.line("kt-sign", m, y-h/2-1, m, y+h/2+1, "ink", 1.5)
		}},
		{word: "key concluded or told, not seen", draw: func(p *canvas, x0, x1, y, h float64) {
			p.line("kt-sign", (x0+x1)/2, y-h/2-2, (x0+x1)/2, y+h/2+2, "soft", 1, "stroke-dasharray", "4 3")
		}},
	}}
	l.lay(o)
	return l
}

// lay gives each sign its place.
func (l *signList) lay(o Options) {
	x, y := margin, margin
	line := 1.6 * o.Text
	for i := range l.signs {
		s := &l.signs[i]
		w := (signWidth+0.5)*o.Text + wide(s.word, o.small()) + 1.2*o.Text
		if x > margin && x+w > o.Width {
			x, y = margin, y+line
		}
		s.x, s.y = x, y
		x += w
	}
	l.height = y + line
}

// signs draws the explanation.
func (p *canvas) signs(l signList, o Options) {
	p.open("g", "kt-signs")
	for _, s := range l.signs {
		mid := s.y + 0.7*o.Text
		s.draw(p, s.x, s.x+signWidth*o.Text, mid, 0.9*o.Text)
		p.text("kt-sign-word", s.word, s.x+(signWidth+0.5)*o.Text, mid+0.35*o.small(), o.small())
	}
	p.close("g")
}
