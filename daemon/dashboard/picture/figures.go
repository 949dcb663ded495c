package picture

import (
	"fmt"

	"keyturn/protocol"
)

// figures writes the volts beside the starts' lines, the lowest of all first: each
// in the first of its places where nothing else stands, or not at all. The titles
// and the sentence have every figure.
func (p *canvas) figures(s *Scale, v voltScale, o Options, ks []protocol.Crank) {
	left, right := s.Segments[0].X0, s.Segments[len(s.Segments)-1].X1
	size := o.small()
	var used taken
	for _, k := range ks {
		if k.Sag == nil {
			continue
		}
		at, y := s.X(k.MinAtNS), v.y(float64(k.MinV))
		used = append(used, box{at - 1, v.y(float64(k.BeforeV)), at + 1, y}, box{at - 5, y - 7, at + 5, y})
	}
	say := func(text string, x, y float64) bool {
		w := wide(text, size)
		if x < left || x+w > right || y-size < v.y0-2*size || !used.free(box{x, y - 0.9*size, x + w, y + 0.2*size}) {
			return false
		}
		p.text("kt-volts-word", text, x, y, size, over("volts")...)
		return true
	}
	for _, k := range ks {
		if k.Sag == nil {
			continue
		}
		word := lowestWord(k.Sag)
		x, y, w := s.X(k.MinAtNS), v.y(float64(k.MinV)), wide(word, size)
		_ = y+8+0.9*size <= v.y1 && (say(word, x-w/2, y+8+0.9*size) || say(word, x+2, y+8+0.9*size)) ||
			say(word, x+9, y+0.35*size) || say(word, x-9-w, y+0.35*size)
	}
	for _, k := range ks {
		if k.Sag == nil {
			continue
		}
		turning, before := fmt.Sprintf("%.1f V", float64(k.PlateauV)), fmt.Sprintf("%.1f V", float64(k.BeforeV))
		a, b, w := s.X(k.MinAtNS), s.X(k.EndsNS), wide(turning, size)
		y := v.y(float64(k.PlateauV))
		_ = b-a > w+8 && say(turning, (a+b-w)/2, y-5) || say(turning, b+4, y+0.35*size)
		y, a = v.y(float64(k.BeforeV))-5, s.X(k.BeginsNotBeforeNS)
		_ = say(before, a-2-wide(before, size), y) || say(before, a+5, y+5)
	}
}
