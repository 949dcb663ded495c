package picture

import (
	"fmt"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// band is the key standing at one position.
type band struct {
	from, to int64
	position protocol.Position
	move     *protocol.KeyMove // by which it came there; nil for what was before
}

// bands lists where the key stood during a time, off before its first move.
func bands(c *protocol.Cycle, w stretch) []band {
	out := []band{{w.from, w.to, protocol.PositionOff, nil}}
	if len(c.Key) == 0 {
		return nil // nothing is said of the key: not even that it was off
	}
	for i := range c.Key {
		k := &c.Key[i]
		last := &out[len(out)-1]
		last.to = min(max(k.AtNS, last.from), w.to)
		out = append(out, band{last.to, w.to, k.Position, k})
	}
	return out
}

// tint is a position's background: the more is switched on, the deeper.
func tint(p protocol.Position) string {
	switch p {
	case protocol.PositionOff:
		return "paper"
	case protocol.PositionAccessory:
		return "key-1"
	case protocol.PositionStart:
		return "key-3"
	}
	return "key-2"
}

// pennant is a position's word in the rows above the lanes.
type pennant struct {
	band
	word   string
	x      float64 // of its left end
	row    int
	hidden bool
}

// flagRows is how many rows the words of the positions take at most; a key turned
// to and fro more often than that is told by the bands' titles.
const flagRows = 6

// flags places the words: each begins at its band, in the first row that has room.
func flags(bs []band, s *Scale, o Options) (out []pennant, rows int) {
	var ends [flagRows]float64
	right := s.Segments[len(s.Segments)-1].X1
	for i := range ends {
		ends[i] = -1
	}
	for _, b := range bs {
		f := pennant{band: b, word: report.Position(b.position), x: s.X(b.from), hidden: true}
		w := bold*wide(f.word, o.small()) + 10
		if b.to <= b.from {
			out = append(out, f)
			continue
		}
		for r := range ends {
			if x := min(f.x, right-w); x >= ends[r] && f.hidden {
				f.x, f.row, f.hidden = x, r, false
				ends[r] = x + w
				rows = max(rows, r+1)
			}
		}
		out = append(out, f)
	}
	return out, rows
}

// dashes are those of a move of the key that no lead saw.
func dashes(k *protocol.KeyMove) string {
	if k.Source == protocol.SourceLead {
		return "none"
	}
	return "4 3"
}

// keyBands draws the bands and their edges.
func (p *canvas) keyBands(bs []band, s *Scale, y0, y1 float64) {
	for _, b := range bs {
		x0, x1 := s.X(b.from), s.X(b.to)
		said := fmt.Sprintf("key: %s from %.2f s to %.2f s", report.Position(b.position), s.seconds(b.from), s.seconds(b.to))
		if b.move != nil {
			said += ", " + report.Source(b.move.Source)
		}
		p.shape("rect", "kt-key", said, "x", x0, "y", y0, "width", max(0, x1-x0), "height", y1-y0, "fill", colour(tint(b.position)))
	}
}

// keyEdges draws the moves of the key over the rows of words: a full line where a
// lead saw it, dashes where it was told or concluded, a whisker of k = 2.
func (p *canvas) keyEdges(fs []pennant, s *Scale, o Options, y0, y1, lanes float64) {
	line := 1.45 * o.small()
	for _, f := range fs {
		x := s.X(f.from)
		top := y0 + float64(f.row)*line
		if f.move != nil {
			p.open("g", "kt-move", "data-position", clean(string(f.position)), "data-at-ns", f.move.AtNS, "data-x", s.X(f.move.AtNS))
			p.line("", x, top, x, y1, "soft", 1, "stroke-dasharray", dashes(f.move))
			p.whisker(s, f.move.AtNS, f.move.UUS, lanes, 6)
			p.close("g")
		}
		if !f.hidden {
			p.text("kt-position", f.word, f.x+4, top+o.small(), o.small(), append(over("ink"), "font-weight", "bold")...)
		}
	}
}
