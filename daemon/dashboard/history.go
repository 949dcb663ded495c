package dashboard

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// pageOf is how many key cycles stand on one page.
const pageOf = 50

// historyBody is the page History.
type historyBody struct {
	None     string // why there is nothing to search
	Form     *webForm
	More     bool // something was asked of the jobs, or a day
	Rows     []historyRow
	Older    string // where the next page is
	Latest   string // where the first is, from a later one
	Searched string
	Last     []lastTime
	Model    string // to open a job on
}

// Always and Folded are the fields that are seen at once and those that are not.
func (b historyBody) Always() []*field { return b.Form.Fields[:historyAlways] }

// Folded are the others.
func (b historyBody) Folded() []*field { return b.Form.Fields[historyAlways:] }

const historyAlways = 3

// historyRow is a key cycle in one line.
type historyRow struct {
	When, Bench, ID, Key, What, Status string
	Remarks                            []string
}

// historyForm asks what is looked for.
func (d *dashboard) historyForm(r *http.Request) (*webForm, error) {
	bench := &field{Name: "bench", Label: "Bench", Kind: "choice", Options: []option{{"", "every bench"}}}
	does := &field{Name: "behaviour", Label: "What it does", Kind: "choice", Options: []option{{"", "anything"}}}
	for _, b := range report.Behaviours() {
		does.Options = append(does.Options, option{string(b), report.BehaviourName(b)})
	}
	var models, parts []string
	if d.o.Jobs != nil {
		var err error
		if models, parts, err = d.o.Jobs.Models(r.Context()); err != nil {
			return nil, err
		}
	}
	f := newForm("s", "/history", "Search", bench, &field{Name: "slot", Label: "Slot", Hint: "In small letters, digits and hyphens, as on the box: f07."}, does,
		outcomeField("verdict", "Verdict of a box test that rests on it"),
		&field{Name: "job", Label: "Job", Hint: "Its number.", Mode: "numeric"}, &field{Name: "model", Label: "Model", Known: models}, &field{Name: "year", Label: "Model year", Mode: "numeric"},
		&field{Name: "part", Label: "Fuse box part number", Known: parts},
		&field{Name: "from", Label: "From", Hint: "The day on which a key cycle reached these records.", Kind: "date"}, &field{Name: "to", Label: "Up to and including", Kind: "date"})
	f.fill(r.URL.Query())
	for _, id := range d.benches(bench.Value) {
		bench.Options = append(bench.Options, option{id, id})
	}
	return f, nil
}

// filter reads what is looked for; what cannot be is said beside its field.
func (f *webForm) filter(zone *time.Location) records.Filter {
	out := records.Filter{Bench: f.get("bench"), Slot: strings.ToLower(f.get("slot")), Behaviour: protocol.Behaviour(f.get("behaviour")),
		Job: f.count("job"), Model: f.get("model"), Part: f.get("part"), Year: f.count("year"), Limit: pageOf + 1}
	for name, id := range map[string]string{"bench": out.Bench, "slot": out.Slot} { // each by itself
		if id != "" && protocol.CheckID(id) != nil {
			f.wrong(name, "Small letters, digits and hyphens only, at most 32.")
		}
	}
	out.Verdict = f.outcome("verdict")
	if out.Behaviour != "" && !slices.Contains(report.Behaviours(), out.Behaviour) {
		f.wrong("behaviour", "There is no such behaviour.")
	}
	for _, x := range []struct {
		name string
		at   *time.Time
		days int
	}{{"from", &out.From, 0}, {"to", &out.To, 1}} {
		if text := f.get(x.name); text != "" {
			day, err := time.ParseInLocation(time.DateOnly, text, zone)
			if err != nil || day.Year() < 1 {
				f.wrong(x.name, "Year, month and day: 2006-01-31.")
			}
			*x.at = day.AddDate(0, 0, x.days)
		}
	}
	return out
}

func (d *dashboard) history(w http.ResponseWriter, r *http.Request) {
	form, err := d.historyForm(r)
	if err != nil {
		d.failed(w, r, err)
		return
	}
	f := form.filter(d.o.Zone)
	q := r.URL.Query()
	f.Before = records.CycleRef{Bench: q.Get("before-bench"), ID: q.Get("before")}
	first := f.Before == records.CycleRef{}
	if !first && (protocol.CheckID(f.Before.Bench) != nil || protocol.CheckID(f.Before.ID) != nil) {
		d.sorry(w, r, http.StatusBadRequest, "That page has no beginning: search again.")
		return
	}
	body := historyBody{Form: form, Searched: searched(form, &f), More: slices.ContainsFunc(form.Fields[historyAlways:], func(x *field) bool { return x.Value != "" })}
	status := http.StatusOK
	switch {
	case len(form.Faults()) > 0:
		status = http.StatusBadRequest
	case d.o.Records == nil:
		body.None = "This server keeps no records."
	default:
		if err = d.find(r, &body, &f); errors.Is(err, records.ErrNone) {
			d.sorry(w, r, http.StatusNotFound, "The key cycle that this page would begin after is no longer kept: search again.")
			return
		}
		if err != nil {
			d.failed(w, r, err)
			return
		}
		if !first {
			body.Latest = form.searchPath("/history", "", "")
		}
	}
	p := d.page("History", "history")
	p.Body = body
	d.show(w, r, status, "history", p)
}

// find looks for what is asked for.
func (d *dashboard) find(r *http.Request, body *historyBody, f *records.Filter) error {
	cycles, err := d.o.Records.Cycles(r.Context(), *f)
	if err != nil {
		return err
	}
	if len(cycles) > pageOf {
		cycles = cycles[:pageOf]
		body.Older = body.Form.searchPath("/history", cycles[pageOf-1].Bench, cycles[pageOf-1].ID)
	}
	for _, c := range cycles {
		body.Rows = append(body.Rows, d.historyRow(c, f))
	}
	if d.o.Jobs == nil || f.Model == "" {
		return nil
	}
	if d.may(r) {
		body.Model = f.Model
	}
	body.Last, err = d.lastTimes(r.Context(), f.Model, 0)
	return err
}

// searchPath is the address of a search by a form on a page; of the page that follows what
// is of a bench and an id, if there is one.
func (f *webForm) searchPath(page, afterBench, afterID string) string {
	q := url.Values{}
	if afterID != "" {
		q = url.Values{"before-bench": {afterBench}, "before": {afterID}}
	}
	for _, x := range f.Fields {
		if x.Value != "" {
			q.Set(x.Name, x.Value)
		}
	}
	return page + "?" + q.Encode()
}

// searched says what was searched for.
func searched(form *webForm, f *records.Filter) string {
	text := "Key cycles"
	add := func(before, value string) {
		if value != "" {
			text += before + value
		}
	}
	add(" of bench ", f.Bench)
	slot := f.Slot
	if slot == "" && f.Behaviour != "" {
		text += " with a slot"
	}
	add(" with slot ", slot)
	if f.Behaviour != "" {
		add(": ", report.BehaviourName(f.Behaviour))
	}
	for _, o := range form.field("verdict").Options {
		if o.Value != "" && o.Value == string(f.Verdict) {
			add(", by the verdict of a box test: ", o.Word)
		}
	}
	for _, x := range []struct{ name, before string }{{"job", ", job "}, {"model", ", model "}, {"year", ", model year "}, {"part", ", fuse box "}, {"from", ", from "}, {"to", ", up to "}} {
		add(x.before, clean(form.get(x.name)))
	}
	return text
}

func (d *dashboard) historyRow(c *protocol.Cycle, f *records.Filter) historyRow {
	row := historyRow{When: d.called(c), Bench: clean(c.Bench), ID: clean(c.ID), Key: keyWords(c), Status: status(c)}
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
