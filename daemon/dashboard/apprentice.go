package dashboard

import (
	"net/http"
	"slices"

	"keyturn/daemon/records"
)

// exercisesBody is the page of what an apprentice can answer, and has answered.
type exercisesBody struct {
	Knows bool // who asks may read what the benches measure
	Open  []openRow
	Mine  []sheetRow
}

// openRow is a sitting that takes answers.
type openRow struct {
	Number       int64
	Title, Bench string
	Standing     string // of his latest attempt
	Sheet        string // its address, empty where there is none
	Begin        bool   // a new one may be begun
}

func (d *dashboard) exercisesPage(w http.ResponseWriter, r *http.Request) {
	p := d.who(r)
	d.markDue(r.Context())
	open, err := d.o.Jobs.Sittings(r.Context(), true, 0)
	var mine []records.AnswerSheet
	if err == nil {
		mine, err = d.o.Jobs.AnswerSheetsOf(r.Context(), p.Name)
	}
	if err != nil {
		d.failed(w, r, err)
		return
	}
	body := exercisesBody{Knows: p.Role > Apprentice}
	for i := range open {
		s := &open[i]
		row := openRow{Number: s.Number, Title: clean(s.Title), Bench: clean(s.Bench), Begin: true}
		if k := slices.IndexFunc(mine, func(a records.AnswerSheet) bool { return a.Sitting == s.Number }); k >= 0 {
			row.Sheet, row.Standing, row.Begin = sheetPath(&mine[k]), d.standing(&mine[k]), !mine[k].Marked.IsZero() && mine[k].Again
		}
		body.Open = append(body.Open, row)
	}
	titles := map[int64]string{}
	for i := range mine {
		a := &mine[i]
		if _, known := titles[a.Sitting]; !known {
			s, err := d.o.Jobs.Sitting(r.Context(), a.Sitting)
			if err != nil {
				d.failed(w, r, err)
				return
			}
			titles[a.Sitting] = s.Title
		}
		body.Mine = append(body.Mine, d.sheetRow(a, titles[a.Sitting]))
	}
	page := d.page("Exercises", "exercises")
	page.Body = body
	d.show(w, r, http.StatusOK, "exercises", page)
}

// begin gives the apprentice an answer sheet.
func (d *dashboard) begin(w http.ResponseWriter, r *http.Request) {
	id, err := d.o.Jobs.Begin(r.Context(), sittingNumber(r), d.who(r).Name)
	if err != nil {
		d.notTaken(w, r, err)
		return
	}
	http.Redirect(w, r, "/answers/"+id, http.StatusSeeOther)
}
