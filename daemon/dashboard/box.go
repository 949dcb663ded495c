package dashboard

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// boxRoutes are the addresses of the tests of fuse boxes.
func (d *dashboard) boxRoutes(mux *routes) {
	mux.handle(Viewer, "GET /boxes", d.boxes)
	mux.handle(Viewer, "GET /boxes/{bench}/{id}", d.box)
	mux.handle(Viewer, "GET /boxes/{bench}/{id}/sheet", d.boxSheet)
	mux.handle(Viewer, "GET /boxes/{bench}/{id}/label", d.boxLabel)
}

// boxesBody is the page Boxes.
type boxesBody struct {
	None          string // why there is nothing to list
	Form          *webForm
	Rows          []boxRow
	Older, Latest string // where the next page is, and the first from a later one
}

// boxRow is a test of a box in one line.
type boxRow struct {
	Path, ID, Box, Title, Bench, Counts, Standing string
	When                                          string // by the bench's clock, else when it was received
	Received                                      bool   // the bench's clock was not set
	Measured                                      bool   // there is something to say of a slot
	OfTested                                      mark
	Job, JobPath                                  string
	Open                                          bool
}

// outcomeField asks for an outcome, or any.
func outcomeField(name, label string) *field {
	f := &field{Name: name, Label: label, Kind: "choice", Options: []option{{"", "any"}}}
	for o := judge.Fail; o <= judge.Pass; o++ {
		f.Options = append(f.Options, option{o.String(), report.Outcome(o)})
	}
	return f
}

// outcome reads a field of outcomes; what is none is said beside it.
func (f *webForm) outcome(name string) protocol.Outcome {
	value := f.get(name)
	if !slices.ContainsFunc(f.field(name).Options, func(o option) bool { return o.Value == value }) {
		f.wrong(name, "There is no such outcome.")
	}
	return protocol.Outcome(value)
}

// boxForm asks which tests are wanted.
func (d *dashboard) boxForm(r *http.Request) (*webForm, error) {
	var known []string
	if d.o.Jobs != nil {
		var err error
		if known, err = d.o.Jobs.TestedBoxes(r.Context()); err != nil {
			return nil, err
		}
	}
	verdict := outcomeField("outcome", "Verdict")
	verdict.Hint = "Of what could be tested."
	f := newForm("b", "/boxes", "Search", &field{Name: "box", Label: "Box", Hint: "The id of its box file.", Known: known}, verdict,
		&field{Name: "job", Label: "Job", Hint: "Its number.", Mode: "numeric"})
	f.fill(r.URL.Query())
	return f, nil
}

// verdictFilter reads which tests are wanted; what cannot be is said beside its field.
func (f *webForm) verdictFilter() records.VerdictFilter {
	out := records.VerdictFilter{Box: f.get("box"), Limit: pageOf + 1}
	if out.Box != "" && protocol.CheckID(out.Box) != nil {
		f.wrong("box", "Small letters, digits and hyphens only, at most 32.")
	}
	if n := f.count("job"); n != 0 {
		out.Job = strconv.FormatInt(n, 10)
	}
	out.OfTested = f.outcome("outcome")
	return out
}

func (d *dashboard) boxes(w http.ResponseWriter, r *http.Request) {
	form, err := d.boxForm(r)
	if err != nil {
		d.failed(w, r, err)
		return
	}
	f := form.verdictFilter()
	q := r.URL.Query()
	f.Before = records.VerdictRef{Bench: q.Get("before-bench"), ID: q.Get("before")}
	first := f.Before == records.VerdictRef{}
	if !first && (protocol.CheckID(f.Before.Bench) != nil || protocol.CheckID(f.Before.ID) != nil) {
		d.sorry(w, r, http.StatusBadRequest, "That page has no beginning: search again.")
		return
	}
	p, body, status := d.page("Boxes", "boxes"), boxesBody{Form: form}, http.StatusOK
	switch {
	case len(form.Faults()) > 0:
		status = http.StatusBadRequest
	case d.o.Jobs == nil:
		body.None = "This server keeps no records."
	default:
		found, err := d.o.Jobs.Verdicts(r.Context(), f)
		if errors.Is(err, records.ErrNoVerdict) {
			d.sorry(w, r, http.StatusNotFound, "The test that this page would begin after is not in the records: search again.")
			return
		}
		if err != nil {
			d.failed(w, r, err)
			return
		}
		if len(found) > pageOf {
			found = found[:pageOf]
			body.Older = form.searchPath("/boxes", found[pageOf-1].Bench, found[pageOf-1].ID)
		}
		if !first {
			body.Latest = form.searchPath("/boxes", "", "")
		}
		for _, v := range found {
			row, err := d.boxRow(r, v)
			if err != nil {
				d.failed(w, r, err)
				return
			}
			if body.Rows = append(body.Rows, row); row.Open {
				p.Scripts = []string{"waiting.js"}
			}
		}
	}
	p.Body = body
	d.show(w, r, status, "boxes", p)
}

func (d *dashboard) boxRow(r *http.Request, v *protocol.Verdict) (boxRow, error) {
	b := evidence.Verdict(v)
	row := boxRow{Path: boxPath(v.Bench, v.ID), ID: clean(v.ID), Box: clean(v.Box), Title: clean(string(v.Title)), Bench: clean(v.Bench),
		Standing: boxStanding(v), OfTested: outcomeMark(b.OfTested), Counts: outcomeCounts(&b), Open: !v.Final,
		Measured: v.Final || slices.ContainsFunc(v.Slots, func(s protocol.SlotVerdict) bool { return len(s.Rounds) > 0 })}
	row.Job, row.JobPath = testJob(v)
	t, known := wall(v.Wall, d.o.Zone)
	if known {
		row.When = moment(t)
		return row, nil
	}
	t, err := d.o.Jobs.VerdictArrived(r.Context(), v.Bench, v.ID)
	row.When, row.Received = "received by the server on "+moment(t.In(d.o.Zone)), true
	return row, err
}

// boxPath is the page of a test.
func boxPath(bench, id string) string { return "/boxes/" + clean(bench) + "/" + clean(id) }

// testJob is the job that a test names, and its page where the name is a number.
func testJob(v *protocol.Verdict) (job, path string) {
	if n, err := strconv.ParseInt(string(v.Job), 10, 64); err == nil && n > 0 {
		path = jobPath(n)
	}
	return clean(string(v.Job)), path
}

// boxStanding says how far a test is.
func boxStanding(v *protocol.Verdict) string {
	switch {
	case v.Final:
		return "over: " + plural(len(v.Cycles), "round", "rounds") + " measured"
	case v.Round != nil:
		return fmt.Sprintf("in progress: round %d of %d comes next", v.Round.Number, v.Rounds)
	default:
		return fmt.Sprintf("in progress: %d of %s measured", len(v.Cycles), plural(v.Rounds, "round", "rounds"))
	}
}

// outcomeMark is an outcome as it is shown.
func outcomeMark(o judge.Outcome) mark {
	return mark{[...]string{judge.Fail: "none", judge.Unproven: "unproven", judge.Marginal: "part", judge.Pass: "full"}[o], report.Outcome(o)}
}

// outcomeCounts says how many of the tested slots came out how, the worst first, and how
// many could not be tested.
func outcomeCounts(b *report.BoxVerdict) string {
	text := ""
	add := func(n int, word string) {
		if n > 0 {
			if text != "" {
				text += ", "
			}
			text += strconv.Itoa(n) + " " + word
		}
	}
	for o := judge.Fail; o <= judge.Pass; o++ {
		add(b.Count[o], report.Outcome(o))
	}
	add(b.Untested, "cannot be tested here")
	return text
}
