package dashboard

import (
	"fmt"
	"math"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"keyturn/protocol"
)

// seated describes a bench whose slots sit in a box of so many rows and columns, row
// by row.
func seated(slots, rows, columns int) *protocol.Bench {
	d := described("b", slots)
	d.Box = &protocol.BenchBox{Box: "cabin", Datum: "label upright, hinge at top", Zone: "cabin", Rows: rows, Columns: columns}
	for i := range slots {
		d.Slots = append(d.Slots, protocol.BenchSlot{Slot: slot(i), Place: &protocol.Place{Row: i/columns + 1, Column: i%columns + 1}})
	}
	return d
}

// placesOn are the classes of the slots' list and of each slot, without those of states.
func placesOn(t *testing.T, d *protocol.Bench, slots int) (list string, places []string) {
	t.Helper()
	s := newState(t)
	take(t, s, d, nowOf("b", time.Second, slots))
	doc, text := pageAt(t, newPages(t, Options{State: s}), "/", http.StatusOK)
	for _, ul := range all(doc, "ul", "class") {
		if strings.HasPrefix(attr(ul, "class"), "slots") {
			list = attr(ul, "class")
			for _, li := range all(ul, "li", "data-state") {
				places = append(places, strings.TrimSpace(strings.TrimPrefix(attr(li, "class"), "odd")))
			}
		}
	}
	if strings.Contains(text, `class="datum"`) != (list != "slots") {
		t.Errorf("list %q, and the datum is there or not", list)
	}
	return list, places
}

func TestSlotsStandWhereTheySitInTheirBox(t *testing.T) {
	d := seated(3, 2, 6)
	d.Slots[2].Place = &protocol.Place{Row: 2, Column: 6}
	list, places := placesOn(t, d, 3)
	if list != "slots placed n6 upto6" || strings.Join(places, ", ") != "r1 c1, r1 c2, r2 c6" {
		t.Errorf("list %q, slots %q", list, places)
	}
}

// Places come over MQTT: what cannot be laid out is a list.
func TestSlotsWithoutSoundPlacesAreAList(t *testing.T) {
	for name, change := range map[string]func(d *protocol.Bench){
		"no box":             func(d *protocol.Bench) { d.Box = nil },
		"a slot has none":    func(d *protocol.Bench) { d.Slots[1].Place = nil },
		"a slot is not told": func(d *protocol.Bench) { d.Slots = d.Slots[:2] },
		"two share one":      func(d *protocol.Bench) { d.Slots[1].Place = d.Slots[0].Place },
		"outside":            func(d *protocol.Bench) { d.Slots[1].Place.Column = 7 },
		"below":              func(d *protocol.Bench) { d.Slots[1].Place.Row = 0 },
		"too wide":           func(d *protocol.Bench) { d.Box.Columns = columnsMost + 1 },
		"too high":           func(d *protocol.Bench) { d.Box.Rows = math.MaxInt },
		"no columns":         func(d *protocol.Bench) { d.Box.Columns = -1 },
	} {
		d := seated(3, 2, 6)
		change(d)
		if list, places := placesOn(t, d, 3); list != "slots" || strings.Join(places, "") != "" {
			t.Errorf("%s: list %q, slots %q", name, list, places)
		}
	}
	for i, x := range hostile {
		d := seated(3, 2, 6)
		d.Box.Box, d.Box.Datum = x, x
		if list, _ := placesOn(t, d, 3); list == "slots" {
			t.Errorf("hostile text %d: no box", i)
		}
	}
}

// Every place that a page may name has its rule, and every width.
func TestStylesheetKnowsEveryPlace(t *testing.T) {
	sheet, err := os.ReadFile("assets/keyturn.css")
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for i := 1; i <= rowsMost; i++ {
		want = append(want, fmt.Sprintf(".r%d { --row: %d; }", i, i))
	}
	for i := 1; i <= columnsMost; i++ {
		want = append(want, fmt.Sprintf(".c%d { --column: %d; }", i, i), fmt.Sprintf(".n%d { --columns: %d; }", i, i), ".slots.placed."+width(i)+" {")
	}
	for _, rule := range want {
		if !strings.Contains(string(sheet), rule) {
			t.Errorf("keyturn.css lacks %s", rule)
		}
	}
}

// A bench that moves into another box, or within it, is built anew on open pages.
func TestAnotherPlaceIsAnotherForm(t *testing.T) {
	formOf := func(d *protocol.Bench) string {
		s := newState(t)
		take(t, s, d, nowOf("b", time.Second, 3))
		v, _, _ := s.one("b")
		return v.view(time.Now()).Form
	}
	list, grid, moved := described("b", 3), seated(3, 2, 6), seated(3, 2, 6)
	moved.Slots[2].Place.Row = 2
	if a, b, c := formOf(list), formOf(grid), formOf(moved); a == b || b == c || a == c {
		t.Errorf("forms %s, %s, %s", a, b, c)
	}
}
