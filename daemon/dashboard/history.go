package dashboard

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// pageOf is how many key cycles stand on one page.
const pageOf = 50

// historyBody is the page History.
type historyBody struct {
	None       string // why there is nothing to search
	Bench      string
	Slot       string
	Behaviour  protocol.Behaviour
	Behaviours []choice
	Benches    []string
	Rows       []historyRow
	Older      string // where the next page is
	First      bool
	Searched   string
}

// historyRow is a key cycle in one line.
type historyRow struct {
	When, Bench, ID, Key, What, Status string
	Remarks                            []string
}

// choice is a behaviour that can be searched for.
type choice struct {
	Value protocol.Behaviour
	Word  string
}

func choices() (out []choice) {
	for _, b := range report.Behaviours() {
		out = append(out, choice{b, report.BehaviourName(b)})
	}
	return out
}

func (d *dashboard) history(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	f := records.Filter{
		Bench: q.Get("bench"), Slot: q.Get("slot"), Behaviour: protocol.Behaviour(q.Get("behaviour")),
		Before: records.CycleRef{Bench: q.Get("before-bench"), ID: q.Get("before")}, Limit: pageOf + 1,
	}
	for _, id := range []string{f.Bench, f.Slot, f.Before.Bench, f.Before.ID} {
		if id != "" && protocol.CheckID(id) != nil {
			d.sorry(w, r, http.StatusBadRequest, "Names of benches, slots and key cycles have small letters, digits and hyphens only, at most 32.")
			return
		}
	}
	if f.Behaviour != "" && !slices.Contains(report.Behaviours(), f.Behaviour) {
		d.sorry(w, r, http.StatusBadRequest, "There is no such behaviour.")
		return
	}
	if (f.Before.Bench == "") != (f.Before.ID == "") {
		d.sorry(w, r, http.StatusBadRequest, "That page has no beginning: search again.")
		return
	}
	body := historyBody{Bench: f.Bench, Slot: f.Slot, Behaviour: f.Behaviour, Behaviours: choices(), Benches: d.benches(f.Bench), First: f.Before.ID == "", Searched: searched(&f)}
	if d.o.Records == nil {
		body.None = "This server keeps no records."
	} else {
		cycles, err := d.o.Records.Cycles(r.Context(), f)
		if errors.Is(err, records.ErrNone) {
			d.sorry(w, r, http.StatusNotFound, "The key cycle that this page would begin after is no longer kept: search again.")
			return
		}
		if err != nil {
			d.failed(w, r, err)
			return
		}
		if len(cycles) > pageOf {
			cycles = cycles[:pageOf]
			body.Older = pageAfter(&f, cycles[pageOf-1])
		}
		for _, c := range cycles {
			body.Rows = append(body.Rows, d.historyRow(c, &f))
		}
	}
	p := d.page("History", "history")
	p.Body = body
	d.show(w, r, http.StatusOK, "history", p)
}

// pageAfter is the address of the page that follows a key cycle.
func pageAfter(f *records.Filter, c *protocol.Cycle) string {
	q := url.Values{"before-bench": {c.Bench}, "before": {c.ID}}
	for name, v := range map[string]string{"bench": f.Bench, "slot": f.Slot, "behaviour": string(f.Behaviour)} { // Encode sorts
		if v != "" {
			q.Set(name, v)
		}
	}
	return "/history?" + q.Encode()
}

// searched says what was searched for.
func searched(f *records.Filter) string {
	text := "Key cycles"
	if f.Bench != "" {
		text += " of bench " + f.Bench
	}
	slot := "a slot"
	if f.Slot != "" {
		slot = "slot " + f.Slot
	}
	if f.Behaviour != "" {
		return text + " with " + slot + ": " + report.BehaviourName(f.Behaviour)
	}
	if f.Slot != "" {
		return text + " with " + slot
	}
	return text
}

func (d *dashboard) historyRow(c *protocol.Cycle, f *records.Filter) historyRow {
	row := historyRow{When: madeAt(c.Wall, d.o.Zone), Bench: clean(c.Bench), ID: clean(c.ID), Status: status(c)}
	for i, k := range c.Key {
		if i > 0 {
			row.Key += " → "
		}
		row.Key += report.Position(k.Position)
	}
	row.Key = cleanTo(row.Key, 2*textMax)
	n := 0
	for i := range c.Slots {
		s := &c.Slots[i]
		if f.Slot != "" && s.Slot == f.Slot {
			row.What = cleanTo(s.Slot+" "+string(s.Legend)+": "+report.Behaviour(s), 2*textMax)
			if off := report.OffAfter(s); off != "" {
				row.Remarks = append(row.Remarks, "off after key-off: "+off)
			}
			for _, x := range report.Remarks(s) {
				row.Remarks = append(row.Remarks, cleanTo(x, 2*textMax))
			}
			return row
		}
		if f.Behaviour != "" && s.Behaviour == f.Behaviour {
			n++
		}
	}
	row.What = plural(len(c.Slots), "slot", "slots")
	if f.Behaviour != "" {
		row.What = fmt.Sprintf("%d of %s", n, row.What)
	}
	return row
}
