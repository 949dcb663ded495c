package dashboard

import (
	"fmt"
	"strings"

	"keyturn/protocol"
)

// What a page lays out as a grid at most; the stylesheet has a class for each row and
// column. Wider boxes are shown as a list.
const (
	rowsMost    = 32
	columnsMost = 12
)

// boxView is the box that a bench's slots sit in.
type boxView struct {
	ID, Datum string
	// Classes lay its slots out: the number of its columns, and how wide a screen must
	// be for them.
	Classes string
}

// place gives each slot its place in the box and returns the box; nil where a slot has
// none, two share one or the box is too large: then the slots are a list.
func place(d *protocol.Bench, slots []slotView) *boxView {
	if d == nil || d.Box == nil || len(slots) == 0 || d.Box.Columns < 1 || d.Box.Columns > columnsMost || d.Box.Rows > rowsMost {
		return nil
	}
	at, taken := map[string]protocol.Place{}, map[protocol.Place]bool{}
	for _, s := range d.Slots {
		if p := s.Place; p != nil && p.Row >= 1 && p.Row <= d.Box.Rows && p.Column >= 1 && p.Column <= d.Box.Columns {
			at[clean(s.Slot)] = *p
		}
	}
	for _, s := range slots {
		p, known := at[s.Slot]
		if !known || taken[p] {
			return nil
		}
		taken[p] = true
	}
	for i := range slots {
		p := at[slots[i].Slot]
		slots[i].Place = fmt.Sprintf(" r%d c%d", p.Row, p.Column)
	}
	return &boxView{ID: clean(d.Box.Box), Datum: clean(d.Box.Datum), Classes: fmt.Sprintf(" placed n%d %s", d.Box.Columns, width(d.Box.Columns))}
}

// width names how wide a screen must be for so many columns.
func width(columns int) string {
	switch {
	case columns <= 4:
		return "upto4"
	case columns <= 6:
		return "upto6"
	case columns <= 8:
		return "upto8"
	}
	return "upto12"
}

// form names the box's part of a page's make-up.
func (b *boxView) form(slots []slotView) string {
	if b == nil {
		return ""
	}
	var out strings.Builder
	fmt.Fprintf(&out, "%q %q %q", b.ID, b.Datum, b.Classes)
	for _, s := range slots {
		out.WriteString(s.Place)
	}
	return out.String()
}
