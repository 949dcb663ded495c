package picture

import (
	"math"
	"slices"
	"strconv"

	"keyturn/daemon/report"
)

// rounds returns a step of 1, 2 or 5 times a power of ten that is at least least.
func rounds(least float64) float64 {
	if !(least > 0) || math.IsInf(least, 0) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(least)))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= least*(1-1e-9) {
			return m * p
		}
	}
	return 10 * p
}

// tick is a round value and its position.
type tick struct{ value, x float64 }

// ticks returns the round seconds of a scale, at least apart pixels from each
// other within a segment. A segment too short for any is given a rounder-grained
// one, so that times can be read after a break too.
func (s *Scale) ticks(apart float64) []tick {
	var out []tick
	for _, g := range s.Segments {
		length := span(g.FromNS, g.ToNS) * 1e-9
		if g.Cut || length == 0 || g.X1 <= g.X0 {
			continue
		}
		from := s.seconds(g.FromNS)
		step := rounds(apart * length / (g.X1 - g.X0))
		for range 3 {
			if math.Ceil(from/step)*step <= from+length {
				break
			}
			step = rounds(step / 2.5)
		}
		for v := math.Ceil(from/step-1e-9) * step; v <= from+length+1e-9; v += step {
			v = math.Round(v/step) * step
			out = append(out, tick{v, g.X0 + (g.X1-g.X0)*(v-from)/length})
			if len(out) > 1000 {
				return out
			}
		}
	}
	return out
}

// seconds is an instant in seconds from the scale's zero.
func (s *Scale) seconds(ns int64) float64 {
	if ns < s.ZeroNS {
		return -span(ns, s.ZeroNS) * 1e-9
	}
	return span(s.ZeroNS, ns) * 1e-9
}

// plain writes a round value without needless decimals.
func plain(v float64) string {
	if v = math.Round(v*1e6) / 1e6; v == 0 {
		v = 0 // never -0
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// grid draws the ticks' lines behind everything.
func (p *canvas) grid(s *Scale, o Options, y0, y1 float64) {
	for _, t := range s.ticks(apart(o)) {
		p.line("kt-grid", t.x, y0, t.x, y1, "grid", 0.6)
	}
}

// apart is how far ticks stand from each other at least.
func apart(o Options) float64 { return 4.2 * o.Text }

// axis writes the seconds below y, the breaks' lengths first: without them the
// axis would lie. The words say what the seconds are; they may be empty.
func (p *canvas) axis(s *Scale, o Options, y float64, words string) {
	size := o.small()
	var used taken
	p.open("g", "kt-axis", "fill", colour("ink"), "text-anchor", "middle")
	for _, g := range s.Segments {
		if !g.Cut {
			continue
		}
		p.text("kt-cut-mark", "//", (g.X0+g.X1)/2, y+1.1*size, size, "font-weight", "bold")
		used.free(box{g.X0 + 4, y, g.X1 - 4, y + 1.1*size})
	}
	for _, l := range s.cutLabels(o) {
		p.text("kt-cut-label", l.word, l.x, y+(2.3+1.15*float64(l.row))*size, size, "font-style", "italic")
	}
	for _, t := range s.ticks(apart(o)) {
		label := plain(t.value)
		w := wide(label, size) + 4
		p.line("kt-tick", t.x, y, t.x, y+3, "ink", 1)
		if used.free(box{t.x - w/2, y, t.x + w/2, y + 1.1*size}) {
			p.text("kt-tick-label", label, t.x, y+1.15*size, size)
		}
	}
	p.close("g")
	if text := words; text != "" {
		below := 2.5
		if s.cut() {
			text += "; // time left out"
			below = 3.7 + 1.15*float64(s.cutRows(o)-1)
		}
		p.text("kt-axis-words", fit(text, size, o.Width-s.Segments[0].X0), s.Segments[0].X0, y+below*size, size, "fill", colour("soft"))
	}
}

// cut reports whether there is a break.
func (s *Scale) cut() bool {
	return slices.ContainsFunc(s.Segments, func(g Segment) bool { return g.Cut })
}

// cutLabel is the length of a break below it, in a row of its own where another
// stands too near.
type cutLabel struct {
	word string
	x    float64 // of its middle
	row  int
}

func (s *Scale) cutLabels(o Options) (out []cutLabel) {
	var used taken
	for _, g := range s.Segments {
		if !g.Cut {
			continue
		}
		l := cutLabel{word: report.Seconds(span(g.FromNS, g.ToNS) * 1e-9)}
		w := wide(l.word, o.small())
		l.x = min(max((g.X0+g.X1)/2, s.Segments[0].X0+w/2), s.Segments[len(s.Segments)-1].X1-w/2)
		for !used.free(box{l.x - w/2, float64(l.row), l.x + w/2, float64(l.row) + 0.9}) {
			l.row++
		}
		out = append(out, l)
	}
	return out
}

func (s *Scale) cutRows(o Options) (n int) {
	for _, l := range s.cutLabels(o) {
		n = max(n, l.row+1)
	}
	return n
}

// untilCut is where a word that begins at x must end: at x1 or the next break.
func (s *Scale) untilCut(x, x1 float64) float64 {
	for _, g := range s.Segments {
		if g.Cut && g.X1 > x {
			return min(x1, g.X0)
		}
	}
	return x1
}

// axisHeight is what axis takes.
func axisHeight(s *Scale, o Options) float64 {
	if s.cut() {
		return (4.2 + 1.15*float64(s.cutRows(o)-1)) * o.small()
	}
	return 3 * o.small()
}

// breaks draws the cuts across all lanes: a strip of paper between two torn edges.
func (p *canvas) breaks(s *Scale, o Options, y0, y1 float64) {
	for _, g := range s.Segments {
		if !g.Cut {
			continue
		}
		mid := (g.X0 + g.X1) / 2
		edge := func(x float64, back bool) string {
			d, step := "", o.Text/2
			n := int(math.Ceil((y1 - y0) / step))
			for i := 0; i <= n; i++ {
				k := i
				if back {
					k = n - i
				}
				d += "L" + number(x+float64(k%2)*3) + " " + number(min(y1, y0+float64(k)*step))
			}
			return d
		}
		left, right := edge(mid-6, false), edge(mid+3, true)
		p.shape("path", "kt-cut", "time left out: "+report.Seconds(span(g.FromNS, g.ToNS)*1e-9),
			"d", "M"+left[1:]+right+"Z", "fill", colour("paper"), "stroke", colour("soft"), "stroke-width", 1.0,
			"data-from-ns", g.FromNS, "data-to-ns", g.ToNS)
	}
}
