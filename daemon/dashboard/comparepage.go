package dashboard

import (
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"keyturn/daemon/dashboard/picture"
	"keyturn/daemon/records"
	"keyturn/protocol"
)

// compareBody is the page Compare, with both key cycles or, while the second is not
// chosen, with those there are.
type compareBody struct {
	Before, After compareSide
	comparison
	Picture template.HTML
	Open    string // which of them may still change
	Swap    string // the address the other way round
	Another string // the address to choose another second

	Chosen  compareSide
	Bench   string
	Benches []string
	Choices []pickRow
	Older   string
}

// Sign is the shape of the outcome.
func (b compareBody) Sign() string {
	switch {
	case b.AsBefore:
		return "within"
	case slices.ContainsFunc(b.Rows, func(r compareRow) bool { return r.differs }):
		return "warn"
	}
	return "notknown"
}

// compareSide names one of the key cycles.
type compareSide struct{ Bench, ID, When, Status string }

// pickRow is a key cycle to choose.
type pickRow struct {
	historyRow
	To string
}

func (d *dashboard) compareSide(c *protocol.Cycle) compareSide {
	return compareSide{clean(c.Bench), clean(c.ID), d.called(c), status(c)}
}

// called names a key cycle by its time, or by its id where the bench's clock was not set.
func (d *dashboard) called(c *protocol.Cycle) string {
	if t, ok := wall(c.Wall, d.o.Zone); ok {
		return moment(t)
	}
	return clean(c.ID)
}

// compare shows two key cycles, the first named a and the second b in the address, so
// that it can be kept and sent on.
func (d *dashboard) compare(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	if q.Get("a") == "" {
		d.sorry(w, r, http.StatusBadRequest, "To compare, choose a key cycle under History first.")
		return
	}
	a := d.stored(w, r, q.Get("a-bench"), q.Get("a"))
	if a == nil {
		return
	}
	if q.Get("b") == "" {
		d.pick(w, r, a)
		return
	}
	b := d.stored(w, r, q.Get("b-bench"), q.Get("b"))
	if b == nil {
		return
	}
	p := d.page("Compare two key cycles", "history")
	body := compareBody{Before: d.compareSide(a), After: d.compareSide(b), comparison: compareCycles(a, b), Swap: compareURL(b, a), Another: compareURL(a, nil)}
	body.Picture = drawnPair(a, b, &body.comparison)
	switch {
	case !a.Final && !b.Final:
		body.Open = "Both key cycles are still open: this may change."
	case !a.Final:
		body.Open = "The one before is still open: this may change."
	case !b.Final:
		body.Open = "The one after is still open: this may change."
	}
	p.Body = body
	d.show(w, r, http.StatusOK, "compare", p)
}

// compareURL is the address of a comparison; without the second, of choosing it.
func compareURL(a, b *protocol.Cycle) string {
	q := url.Values{"a-bench": {a.Bench}, "a": {a.ID}}
	if b != nil {
		q.Set("b-bench", b.Bench)
		q.Set("b", b.ID)
	}
	return "/compare?" + q.Encode()
}

// drawnPair draws both, the slots that differ first, then those that cannot be compared.
func drawnPair(a, b *protocol.Cycle, c *comparison) template.HTML {
	var lanes []picture.PairLane
	named := map[string]bool{}
	for _, s := range slices.Concat(a.Slots, b.Slots) {
		if !named[s.Slot] {
			named[s.Slot] = true
			lanes = append(lanes, picture.PairLane{Slot: s.Slot, Word: c.differ[s.Slot]})
		}
	}
	rank := func(l picture.PairLane) int { return slices.Index([]string{differs, seems, notCompared, ""}, l.Word) }
	slices.SortStableFunc(lanes, func(x, y picture.PairLane) int { return rank(x) - rank(y) })
	return bothWidths(func(out *strings.Builder, o picture.Options) { out.Write(picture.Pair(a, b, lanes, o)) })
}

// pick lists the key cycles to compare one with.
func (d *dashboard) pick(w http.ResponseWriter, r *http.Request, a *protocol.Cycle) {
	q := r.URL.Query()
	f := records.Filter{Bench: a.Bench, Before: records.CycleRef{Bench: q.Get("before-bench"), ID: q.Get("before")}, Limit: pageOf + 1}
	if q.Has("bench") {
		f.Bench = q.Get("bench")
	}
	for _, id := range []string{f.Bench, f.Before.Bench, f.Before.ID} {
		if id != "" && protocol.CheckID(id) != nil {
			d.sorry(w, r, http.StatusBadRequest, "Names of benches and key cycles have small letters, digits and hyphens only, at most 32.")
			return
		}
	}
	cycles, err := d.o.Records.Cycles(r.Context(), f)
	if errors.Is(err, records.ErrNone) {
		d.sorry(w, r, http.StatusNotFound, "The key cycle that this page would begin after is no longer kept: choose again.")
		return
	}
	if err != nil {
		d.failed(w, r, err)
		return
	}
	body := compareBody{Chosen: d.compareSide(a), Bench: f.Bench, Benches: d.benches(f.Bench)}
	if len(cycles) > pageOf {
		cycles = cycles[:pageOf]
		last := cycles[pageOf-1]
		body.Older = "/compare?" + url.Values{"a-bench": {a.Bench}, "a": {a.ID}, "bench": {f.Bench}, "before-bench": {last.Bench}, "before": {last.ID}}.Encode()
	}
	for _, c := range cycles {
		if c.Bench != a.Bench || c.ID != a.ID {
			before, after := a, c
			if earlier(c, a) {
				before, after = c, a
			}
			row := pickRow{d.historyRow(c, &records.Filter{}), compareURL(before, after)}
			row.When = d.called(c)
			body.Choices = append(body.Choices, row)
		}
	}
	p := d.page("Compare with another key cycle", "history")
	p.Body = body
	d.show(w, r, http.StatusOK, "pick", p)
}

// earlier reports whether a key cycle is known to have been measured before another.
func earlier(c, than *protocol.Cycle) bool {
	if c.Bench == than.Bench && c.Boot == than.Boot {
		return c.MonoNS < than.MonoNS
	}
	return c.Wall != "" && than.Wall != "" && c.Wall < than.Wall // RFC 3339 UTC sorts
}

// benches are the ids of those heard and of one known from elsewhere.
func (d *dashboard) benches(also string) (ids []string) {
	all, _ := d.o.State.since(0)
	for _, h := range all {
		ids = append(ids, h.id)
	}
	if also != "" && !slices.Contains(ids, also) {
		ids = append(ids, also) // known to the records alone
	}
	return ids
}
