package dashboard

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"keyturn/daemon/config"
	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// classBody is the instructor's page of all exercises.
type classBody struct {
	Release   *webForm // nil where no exercise was loaded
	Clash     string   // the address of the open one that another cannot be released beside
	Exercises []exerciseRow
	Open      []sittingRow
	Ended     []sittingRow
	Names     []string // of those with answer sheets
}

// exerciseRow is an exercise that can be released.
type exerciseRow struct{ Path, Title, Grade, Box, Questions, Benches string }

// sittingRow is a sitting in one line.
type sittingRow struct{ Path, Title, Bench, When, Sheets string }

func (d *dashboard) class(w http.ResponseWriter, r *http.Request) {
	d.showClass(w, r, http.StatusOK, d.releaseForm(), "")
}

// releaseForm is nil where there is nothing to release.
func (d *dashboard) releaseForm() *webForm {
	if len(d.exercises) == 0 {
		return nil
	}
	which := &field{Name: "exercise", Label: "Exercise", Kind: "choice"}
	all, _ := d.o.State.since(0)
	for i := range d.exercises {
		e := &d.exercises[i]
		word := clean(e.file.Title) + ": no bench fits"
		if fit, _ := e.benches(all); fit != nil {
			which.Value = cmp.Or(which.Value, e.file.ID)
			word = clean(e.file.Title) + ": fits " + strings.Join(fit, ", ")
		}
		which.Options = append(which.Options, option{e.file.ID, word})
	}
	bench := &field{Name: "bench", Label: "Bench", Kind: "choice"}
	for i := range all {
		bench.Options = append(bench.Options, option{all[i].id, clean(all[i].id)})
	}
	return newForm("release", "/class", "Release it", which, bench)
}

func (d *dashboard) showClass(w http.ResponseWriter, r *http.Request, status int, form *webForm, clash string) {
	d.markDue(r.Context())
	body := classBody{Release: form, Clash: clash}
	benches, _ := d.o.State.since(0)
	for i := range d.exercises {
		e := &d.exercises[i]
		fits, why := e.benches(benches)
		body.Exercises = append(body.Exercises, exerciseRow{exercisePath(e), clean(e.file.Title), strconv.Itoa(e.file.Grade), clean(e.box.Title), plural(len(e.file.Questions), "question", "questions") + ", " + report.MarksWorth(e.file.Marks()), cmp.Or(strings.Join(fits, ", "), why)})
	}
	all, err := d.o.Jobs.Sittings(r.Context(), false, 0)
	if err == nil {
		body.Names, err = d.o.Jobs.Sitters(r.Context())
	}
	for i := range all {
		s := &all[i]
		var sheets []records.AnswerSheet
		if sheets, err = d.o.Jobs.AnswerSheetsAt(r.Context(), s.Number); err != nil {
			break
		}
		row := sittingRow{sittingPath(s.Number), clean(s.Title), clean(s.Bench), by(d.day(s.Released), s.ReleasedBy), tallySheets(sheets)}
		if s.Ended.IsZero() {
			body.Open = append(body.Open, row)
		} else {
			body.Ended = append(body.Ended, row)
		}
	}
	if err != nil {
		d.failed(w, r, err)
		return
	}
	p := d.page("Class", "class")
	p.Body = body
	d.show(w, r, status, "class", p)
}

// tallySheets counts answer sheets by how they stand.
func tallySheets(sheets []records.AnswerSheet) string {
	writing, waiting, marked := 0, 0, 0
	for i := range sheets {
		switch a := &sheets[i]; {
		case !a.Marked.IsZero():
			marked++
		case !a.HandedIn.IsZero():
			waiting++
		default:
			writing++
		}
	}
	var out []string
	for _, x := range []struct {
		n    int
		word string
	}{{writing, "being written"}, {waiting, "handed in"}, {marked, "marked"}} {
		if x.n > 0 {
			out = append(out, strconv.Itoa(x.n)+" "+x.word)
		}
	}
	if out == nil {
		return "nobody has begun"
	}
	return strings.Join(out, ", ")
}

// release releases an exercise on a bench.
func (d *dashboard) release(w http.ResponseWriter, r *http.Request) {
	form := d.releaseForm()
	if form == nil {
		d.sorry(w, r, http.StatusNotFound, "This server was given no exercises: start it with --exercises FOLDER.")
		return
	}
	if !d.read(w, r, form) {
		return
	}
	k := slices.IndexFunc(d.exercises, func(e exercise) bool { return e.file.ID == form.get("exercise") })
	if k < 0 {
		form.wrong("exercise", "Choose one of these.")
	}
	lacks, clash := "", ""
	if h, _, ok := d.o.State.one(form.get("bench")); !ok {
		form.wrong("bench", "Choose a bench that is heard; without one no answer can be marked.")
	} else if k >= 0 {
		lacks = d.exercises[k].lacks(&h)
		if lacks == "" {
			var err error
			if lacks, clash, err = d.overlaps(r.Context(), &d.exercises[k], form.get("bench")); err != nil {
				d.failed(w, r, err)
				return
			}
		}
		if lacks != "" {
			form.wrong("bench", lacks)
		}
	}
	if len(form.Faults()) > 0 {
		d.showClass(w, r, http.StatusUnprocessableEntity, form, clash)
		return
	}
	e := &d.exercises[k]
	n, err := d.o.Jobs.Release(r.Context(), records.Sitting{Exercise: e.file.ID, Title: e.file.Title, Text: string(e.Text), Box: string(e.Box),
		Bench: form.get("bench"), ReleasedBy: d.who(r).Name})
	if err != nil {
		d.failed(w, r, err)
		return
	}
	http.Redirect(w, r, sittingPath(n), http.StatusSeeOther)
}

// overlaps says which exercise that is open on a bench asks of the same slots, and its
// address; empty where none does. Who has been marked in one would know the answers of the
// other.
func (d *dashboard) overlaps(ctx context.Context, e *exercise, bench string) (why, path string, err error) {
	open, err := d.o.Jobs.Sittings(ctx, true, sittingsMost)
	if err != nil {
		return "", "", err
	}
	open = slices.DeleteFunc(open, func(s records.Sitting) bool { return s.Bench != bench })
	if k := slices.IndexFunc(open, func(s records.Sitting) bool { return s.Exercise == e.file.ID }); k >= 0 {
		return "This exercise is already released on this bench.", sittingPath(open[k].Number), nil
	}
	for i := range open {
		other, err := readExercise(Exercise{[]byte(open[i].Text), []byte(open[i].Box)})
		if err != nil {
			return "", "", err
		}
		for _, slot := range other.slots() {
			if slot != "" && slices.Contains(e.slots(), slot) {
				return "Two that ask of the same slot, here " + clean(slot) + ", cannot be open at once on a bench, since the marks of one give away the other: end “" + clean(open[i].Title) + "” first.", sittingPath(open[i].Number), nil
			}
		}
	}
	return "", "", nil
}

// sittingsMost is how many open sittings are looked through: more than a shop has benches.
const sittingsMost = 1000

// benches are those that bear what an exercise asks of; why says what the first of them
// lacks where none does.
func (e *exercise) benches(all []heard) (fit []string, why string) {
	why = "no bench is heard"
	for i := range all {
		lacks := e.lacks(&all[i])
		if lacks == "" {
			fit = append(fit, clean(all[i].id))
		} else if i == 0 {
			why = "none: on " + clean(all[i].id) + ": " + lacks
		}
	}
	return fit, why
}

// lacks says which slots that are asked of bear no lead on a bench; empty where none is
// missing. What nobody may probe bears none.
func (e *exercise) lacks(h *heard) string {
	if h.bench == nil {
		return "This bench has not described itself yet."
	}
	if string(h.bench.Subject) != e.file.Subject {
		return "The exercise is for leads that are " + subjectWords(e.file.Subject) + "; this bench says that its leads are " + subjectWords(string(h.bench.Subject)) + "."
	}
	var missing []string
	for i := range e.file.Questions {
		q := &e.file.Questions[i]
		if q.Asks == config.AsksMayProbe {
			continue
		}
		for _, slot := range append(slices.Clone(q.Slots), q.Slot) {
			if slot == "" || slices.Contains(missing, slot) || e.box.Refuses(slot, e.file.Subject, false) != "" {
				continue
			}
			if !slices.ContainsFunc([]protocol.BenchLead(h.bench.Leads), func(l protocol.BenchLead) bool { return string(l.Slot) == slot }) {
				missing = append(missing, slot)
			}
		}
	}
	if missing == nil {
		return ""
	}
	return "No probe lead of this bench is in " + strings.Join(missing, ", ") + ", which the exercise asks of."
}

func subjectWords(s string) string {
	if s == "vehicle" {
		return "on a vehicle"
	}
	return "on a box out of a vehicle"
}
