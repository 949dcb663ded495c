package dashboard

import (
	"net/http"
	"strconv"

	"keyturn/daemon/config"
	"keyturn/daemon/records"
)

func sittingPath(number int64) string { return "/class/" + strconv.FormatInt(number, 10) }

// sittingBody is the instructor's page of one sitting.
type sittingBody struct {
	Path, Title, Bench, When string
	Ended                    string
	Faults                   []plantedRow
	Sheets                   []sheetRow
}

// plantedRow is a planted fault, for the instructor's eyes.
type plantedRow struct{ Slot, What, How string }

func (d *dashboard) sitting(w http.ResponseWriter, r *http.Request) {
	d.markDue(r.Context())
	s, err := d.o.Jobs.Sitting(r.Context(), sittingNumber(r))
	var sheets []records.AnswerSheet
	if err == nil {
		sheets, err = d.o.Jobs.AnswerSheetsAt(r.Context(), s.Number)
	}
	var e exercise
	if err == nil {
		e, err = readExercise(Exercise{[]byte(s.Text), []byte(s.Box)})
	}
	if err != nil {
		d.notTaken(w, r, err)
		return
	}
	body := sittingBody{Path: sittingPath(s.Number), Title: clean(s.Title), Bench: clean(s.Bench), When: by(d.day(s.Released), s.ReleasedBy)}
	if !s.Ended.IsZero() {
		body.Ended = d.day(s.Ended)
	}
	for i := range e.file.Faults {
		body.Faults = append(body.Faults, planted(&e.file.Faults[i]))
	}
	for i := range sheets {
		body.Sheets = append(body.Sheets, d.sheetRow(&sheets[i], s.Title))
	}
	p := d.page("Exercise "+body.Title, "class")
	if body.Ended == "" {
		p.Scripts = []string{"waiting.js"}
	}
	p.Body = body
	d.show(w, r, http.StatusOK, "sitting", p)
}

func planted(f *config.PlantedFault) plantedRow {
	row := plantedRow{Slot: clean(f.Slot), How: cleanTo(f.Instruction, sentenceMax)}
	switch f.Kind {
	case config.OpenCircuit:
		row.What = "open circuit"
	case config.BackFeed:
		row.What = "fed backwards from " + clean(f.From)
	default:
		row.What = "series resistance"
	}
	if f.Ohm > 0 {
		row.What += ", " + strconv.FormatFloat(f.Ohm, 'g', -1, 64) + " ohm of " + strconv.FormatFloat(f.Watts, 'g', -1, 64) + " W"
	}
	if row.How == "" {
		row.How = "by relay line " + clean(f.Line)
	}
	return row
}

func (d *dashboard) endSitting(w http.ResponseWriter, r *http.Request) {
	n := sittingNumber(r)
	if err := d.o.Jobs.EndSitting(r.Context(), n); err != nil {
		d.notTaken(w, r, err)
		return
	}
	http.Redirect(w, r, sittingPath(n), http.StatusSeeOther)
}

func (d *dashboard) deleteSitting(w http.ResponseWriter, r *http.Request) {
	if err := d.o.Jobs.DeleteSitting(r.Context(), sittingNumber(r)); err != nil {
		d.notTaken(w, r, err)
		return
	}
	http.Redirect(w, r, "/class", http.StatusSeeOther)
}

// comment keeps the instructor's word on an answer sheet.
func (d *dashboard) comment(w http.ResponseWriter, r *http.Request, a *asked) {
	if !d.form(w, r) {
		return
	}
	text := typed(r.PostForm.Get("comment"), true)
	if runes := []rune(text); len(runes) > records.JobNoteMax {
		text = string(runes[:records.JobNoteMax])
	}
	if err := d.o.Jobs.Comment(r.Context(), a.sheet.ID, text, d.who(r).Name, r.PostForm.Get("again") != ""); err != nil {
		d.notTaken(w, r, err)
		return
	}
	http.Redirect(w, r, sheetPath(&a.sheet)+"?done=commented#h-teacher", http.StatusSeeOther)
}
