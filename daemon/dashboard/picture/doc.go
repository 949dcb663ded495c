// Package picture draws key cycles: documents in, SVG out.
//
// It is pure: no clock, file, lock or goroutine; equal documents give equal bytes.
// It draws what a document says and nothing else. It refuses to fill in what was
// not recorded: a lead whose state the document leaves open is hatched as unknown,
// the voltage between the points of a Sag is dotted, and there is no voltage at
// all between starts. It never says "dead" of a slot, as report never does, and it
// tells a state by shape and word; colour only helps.
//
// A picture is inline SVG without script, style element, reference or id, so that
// several stand on one page under a strict content security policy. Colours are
// the CSS custom properties of Colours, each with a fallback that prints on white.
package picture

import "keyturn/protocol"

// Options say how a picture is to be drawn. The zero Options are those of a
// desktop page.
type Options struct {
	// Width of the picture in CSS pixels; 960 if zero, and 280 at least. Text does
	// not shrink with it: below narrow the parts stand one above the other.
	Width float64
	// Text is the size of the text in CSS pixels; 13 if zero, and 9 at least. A wall
	// screen takes more.
	Text float64
	// WithoutStarts leaves the battery's panel out of a key cycle: for a reader who is told
	// nothing of starts.
	WithoutStarts bool
	// Told is the key cycle that the words are of, where lanes were added to what was
	// measured; nil: the one that is drawn.
	Told *protocol.Cycle
}

// narrow is the width below which a lane's words stand above it, in text sizes.
const narrow = 50

func (o Options) set() Options {
	if !(o.Width > 0) {
		o.Width = 960
	}
	if !(o.Text > 0) {
		o.Text = 13
	}
	o.Width = min(max(o.Width, 280), 20000)
	o.Text = min(max(o.Text, 9), 100)
	return o
}

func (o Options) narrow() bool { return o.Width < narrow*o.Text }

// small is the size of lesser texts: never below what can be read.
func (o Options) small() float64 { return max(9, 0.88*o.Text) }
