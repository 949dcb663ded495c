package dashboard

import (
	"html/template"
	"strings"

	"keyturn/daemon/dashboard/picture"
	"keyturn/protocol"
)

// narrowPicture is the width of a phone's picture in CSS pixels.
const narrowPicture = 360

// drawn draws a key cycle and each of its starts for their page.
func drawn(c *protocol.Cycle) template.HTML { return drawnWith(c, c) }

// drawnWith draws one with lanes added, in words of what was measured.
func drawnWith(c, told *protocol.Cycle) template.HTML {
	return bothWidths(func(b *strings.Builder, o picture.Options) {
		o.Told = told
		b.Write(picture.Cycle(c, o))
		for n := range picture.Starts(c) {
			b.Write(picture.Start(c, n, o))
		}
	})
}

// bothWidths draws wide and narrow: the page shows what suits its screen. The pictures
// escape what they are given.
func bothWidths(draw func(*strings.Builder, picture.Options)) template.HTML {
	var b strings.Builder
	for _, x := range []struct {
		class string
		o     picture.Options
	}{{"wide", picture.Options{}}, {"narrow", picture.Options{Width: narrowPicture}}} {
		b.WriteString(`<div class="` + x.class + `">`)
		draw(&b, x.o)
		b.WriteString("</div>")
	}
	return template.HTML(b.String())
}
