package picture

import "fmt"

// pairSide is the room for "before" and "after", and the sides of leads, beside the rows.
func pairSide(lanes []pairLane, o Options) float64 {
	w := wide("before", o.small())
	for i := range lanes {
		for _, row := range lanes[i].rows {
			w = max(w, wide(row.word, o.small()))
		}
	}
	return min(w, 8*o.Text) + 8
}

// pairPlot gives the words at either side what they need, within limits.
func pairPlot(lanes []pairLane, o Options) plot {
	if o.narrow() {
		return plot{margin + pairSide(lanes, o), o.Width - margin, 0}
	}
	left, right := 4*o.Text, 8*o.Text
	for i := range lanes {
		l := &lanes[i]
		left = max(left, wide(l.name, bold*o.Text)+6+wide(l.legend, o.Text)+10)
		for _, line := range l.said {
			right = max(right, bold*wide(line, o.small())+12)
		}
	}
	left = min(left, 0.2*o.Width) + pairSide(lanes, o)
	right = min(right, 0.26*o.Width)
	return plot{margin + left, o.Width - margin - right, o.Width - margin - right + 8}
}

// pairBar is the height of a live bar, pairRowHeight what a lead takes.
func pairBar(o Options) float64       { return 1.15 * o.Text }
func pairRowHeight(o Options) float64 { return 1.45 * o.Text }

// fold breaks what is said of a slot into lines of a width.
func (l *pairLane) fold(o Options, width float64) {
	if o.narrow() {
		width = o.Width - 2*margin
	}
	var out []string
	for i, line := range l.said {
		size := o.small()
		if i == 0 && l.strong {
			size *= bold
		}
		out = append(out, wrap(line, size, width, 2)...)
	}
	l.said = out
}

// needs is how high a lane is.
func (l *pairLane) needs(o Options) float64 {
	rows, words := float64(len(l.rows))*pairRowHeight(o), float64(len(l.said))*1.2*o.small()
	if o.narrow() {
		return 1.5*o.Text + words + rows + 0.7*o.Text
	}
	return max(rows, words) + 0.8*o.Text
}

// top is where a lane's rows begin.
func (l *pairLane) top(o Options) float64 {
	if o.narrow() {
		return l.y + l.height - 0.35*o.Text - float64(len(l.rows))*pairRowHeight(o)
	}
	return l.y + (l.height-float64(len(l.rows))*pairRowHeight(o))/2
}

// pairKey is where the key stood in one of the cycles, the words above a rail.
type pairKey struct {
	of    *pairCycle
	bands []band
	flags []pennant
	rows  int
}

func newPairKey(c *pairCycle, s *Scale, o Options) pairKey {
	k := pairKey{of: c, bands: bands(c.Cycle, c.watched)}
	k.flags, k.rows = flags(k.bands, s, o)
	return k
}

// wordsHeight is what the words above the rail take, height all of it.
func (k *pairKey) wordsHeight(o Options) float64 { return float64(k.rows) * 1.3 * o.small() }
func (k *pairKey) height(o Options) float64      { return k.wordsHeight(o) + 1.5*o.Text }

func (p *canvas) pairKey(k *pairKey, s *Scale, o Options, r plot, y float64) {
	p.open("g", "kt-pair-key", "data-which", k.of.which)
	rail, end := y+k.wordsHeight(o), y+k.height(o)-0.5*o.Text
	word := "key " + k.of.which
	if o.narrow() {
		word = k.of.which
	}
	p.text("kt-side", word, r.x0-6, (rail+end)/2+0.35*o.small(), o.small(), "text-anchor", "end")
	p.keyBands(k.bands, s, rail, end)
	x0, x1 := s.X(k.of.watched.from), s.X(k.of.watched.to)
	p.shape("rect", "kt-rail", "", "x", x0, "y", rail, "width", x1-x0, "height", end-rail, "fill", "none", "stroke", colour("soft"), "stroke-width", 1.0)
	for _, f := range k.flags {
		x := s.X(f.from)
		if f.move != nil {
			p.open("g", "kt-move", "data-position", clean(string(f.position)), "data-at-ns", f.move.AtNS)
			p.line("", x, y+float64(f.row)*1.3*o.small(), x, end+2, "ink", 1, "stroke-dasharray", dashes(f.move))
			p.close("g")
		}
		if !f.hidden {
			p.text("kt-position", f.word, f.x+4, y+(float64(f.row)+0.95)*1.3*o.small(), o.small(), over("ink")...)
		}
	}
	p.close("g")
}

// pairLane draws the rows of one slot, the moves of each cycle's key behind them.
func (p *canvas) pairLane(l *pairLane, s *Scale, o Options) {
	p.open("g", "kt-slot", "data-slot", l.name)
	top := l.top(o)
	for i, row := range l.rows {
		y, h := top+(float64(i)+0.5)*pairRowHeight(o), pairBar(o)
		w := row.of.watched
		d := ""
		for k := range row.of.Key {
			d += fmt.Sprintf("M%s %sv%s", number(s.X(row.of.Key[k].AtNS)), number(y-pairRowHeight(o)/2), number(pairRowHeight(o)))
		}
		if d != "" {
			p.shape("path", "kt-moves", "", "d", d, "stroke", colour("soft"), "stroke-width", 0.8, "stroke-dasharray", "2 2", "fill", "none")
		}
		switch {
		case row.slot == nil:
			p.text("kt-none", "not under test", s.X(w.from)+4, y+0.35*o.small(), o.small(), over("soft")...)
		case row.lead == nil:
			p.hatch("kt-unknown", "no lead tells of this slot", s.X(w.from), y-h*0.4, s.X(w.to), y+h*0.4, 6)
		default:
			p.row(s, o, row.slot, row.lead, w, y, h)
		}
	}
	p.close("g")
}

// pairWords writes what stands beside a lane, after the breaks.
func (p *canvas) pairWords(l *pairLane, o Options, r plot, side float64) {
	p.open("g", "kt-slot-words")
	top, size := l.top(o), o.small()
	x, y := r.right, l.y+l.height/2+0.35*o.Text
	if o.narrow() {
		// The words stand on plain ground: grid and breaks would run through them.
		p.shape("rect", "kt-ground", "", "x", 0.0, "y", l.y+0.5, "width", o.Width, "height", top-l.y-1, "fill", colour("paper"))
		p.names(o, l.name, l.legend, l.y+1.15*o.Text, o.Width-2*margin)
		x, y = margin, l.y+1.15*o.Text+1.25*size
	} else {
		p.names(o, l.name, l.legend, y, r.x0-margin-6-side)
		y -= float64(len(l.said)-1) / 2 * 1.2 * size
	}
	for i, line := range l.said {
		weight := "normal"
		if i == 0 && l.strong {
			weight = "bold"
		}
		p.text("kt-behaviour", line, x, y+float64(i)*1.2*size, size, "font-weight", weight)
	}
	for i, row := range l.rows {
		p.text("kt-side", fit(row.word, size, side), r.x0-6, top+(float64(i)+0.5)*pairRowHeight(o)+0.35*size, size, "text-anchor", "end", "fill", colour("soft"))
	}
	p.line("kt-rule", margin, l.y, o.Width-margin, l.y, "grid", 0.6)
	p.close("g")
}
