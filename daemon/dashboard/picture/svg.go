package picture

import (
	"bytes"
	"math"
	"strconv"
)

// canvas gathers SVG. Every value passes through attrs or text and is escaped.
type canvas struct {
	bytes.Buffer
}

// number writes a position to a hundredth of a pixel.
func number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v = 0
	}
	v = math.Round(v*100) / 100
	if v == 0 {
		v = 0 // never -0
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// attrs writes pairs of name and value.
func (p *canvas) attrs(pairs []any) {
	for i := 0; i+1 < len(pairs); i += 2 {
		p.WriteString(" " + pairs[i].(string) + `="`)
		switch v := pairs[i+1].(type) {
		case float64:
			p.WriteString(number(v))
		case int:
			p.WriteString(strconv.Itoa(v))
		case int64:
			p.WriteString(strconv.FormatInt(v, 10))
		case string:
			p.WriteString(escaped(v))
		}
		p.WriteByte('"')
	}
}

// open begins an element that close ends, class first.
func (p *canvas) open(name, class string, pairs ...any) {
	p.WriteString("<" + name)
	if class != "" {
		p.attrs([]any{"class", class})
	}
	p.attrs(pairs)
	p.WriteString(">")
}

func (p *canvas) close(name string) { p.WriteString("</" + name + ">\n") }

// shape writes an element that holds nothing but, perhaps, a title.
func (p *canvas) shape(name, class, title string, pairs ...any) {
	p.open(name, class, pairs...)
	if title != "" {
		p.title(title)
	}
	p.close(name)
}

// title says in words what an element shows, for pointers and readers.
func (p *canvas) title(s string) { p.WriteString("<title>" + escaped(clean(s)) + "</title>") }

// text writes words at a base line.
func (p *canvas) text(class, s string, x, y, size float64, pairs ...any) {
	p.open("text", class, append([]any{"x", x, "y", y, "font-size", size}, pairs...)...)
	p.WriteString(escaped(clean(s)))
	p.close("text")
}

// over are the attributes of a text that stands on other things: a halo.
func over(fill string) []any {
	return []any{"fill", colour(fill), "stroke", colour("paper"), "stroke-width", 3.0, "stroke-linejoin", "round", "paint-order", "stroke"}
}

// line writes a straight line.
func (p *canvas) line(class string, x1, y1, x2, y2 float64, stroke string, width float64, pairs ...any) {
	p.shape("line", class, "", append([]any{"x1", x1, "y1", y1, "x2", x2, "y2", y2, "stroke", colour(stroke), "stroke-width", width}, pairs...)...)
}

// hatch fills a box with slanting lines, drawn one by one: a pattern would need
// an id, which two pictures on a page would share.
func (p *canvas) hatch(class, title string, x0, y0, x1, y1, step float64) {
	var d bytes.Buffer
	h := y1 - y0
	step = max(step, (x1-x0)/2000) // no box, however long, makes more lines than that
	for x := x0 - h + step; x < x1; x += step {
		ax, ay, bx, by := x, y1, x+h, y0
		if ax < x0 {
			ax, ay = x0, y1-(x0-x)
		}
		if bx > x1 {
			bx, by = x1, y0+(x+h-x1)
		}
		d.WriteString("M" + number(ax) + " " + number(ay) + "L" + number(bx) + " " + number(by))
	}
	p.open("g", class)
	if title != "" {
		p.title(title)
	}
	p.shape("rect", "", "", "x", x0, "y", y0, "width", max(0, x1-x0), "height", h, "fill", colour("paper"), "stroke", colour("soft"), "stroke-width", 1.0)
	p.shape("path", "", "", "d", d.String(), "stroke", colour("soft"), "stroke-width", 1.0, "fill", "none")
	p.close("g")
}

// begin opens a picture with its text alternative.
func (p *canvas) begin(class, title, desc string, o Options, height float64) {
	p.open("svg", class, "xmlns", "http://www.w3.org/2000/svg", "role", "img", "width", o.Width, "height", math.Ceil(height),
		"viewBox", "0 0 "+number(o.Width)+" "+number(math.Ceil(height)), "font-family", "var(--kt-font, system-ui, sans-serif)", "fill", colour("ink"))
	p.title(title)
	p.WriteString("<desc>" + escaped(cleanTo(desc, longestStory)) + "</desc>\n")
	p.shape("rect", "kt-paper", "", "x", 0.0, "y", 0.0, "width", o.Width, "height", math.Ceil(height), "fill", colour("paper"))
}

// box is where something was written, to keep the next thing clear of it.
type box struct{ x0, y0, x1, y1 float64 }

func (b box) hits(c box) bool { return b.x0 < c.x1 && c.x0 < b.x1 && b.y0 < c.y1 && c.y0 < b.y1 }

// taken are the boxes written so far.
type taken []box

// free takes a box if nothing stands there yet.
func (t *taken) free(b box) bool {
	for _, c := range *t {
		if b.hits(c) {
			return false
		}
	}
	*t = append(*t, b)
	return true
}
