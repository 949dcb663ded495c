package dashboard

import (
	"bytes"
	"net/http"
)

// progressBody is what one apprentice has done over time.
type progressBody struct {
	Name   string
	Sheets []sheetRow
}

func (d *dashboard) progress(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Query().Get("name")
	sheets, err := d.o.Jobs.AnswerSheetsOf(r.Context(), name)
	if err != nil {
		d.failed(w, r, err)
		return
	}
	if len(sheets) == 0 {
		d.sorry(w, r, http.StatusNotFound, "Nobody of that name has answered an exercise.")
		return
	}
	body := progressBody{Name: clean(name)}
	for i := range sheets {
		s, err := d.o.Jobs.Sitting(r.Context(), sheets[i].Sitting)
		if err != nil {
			d.failed(w, r, err)
			return
		}
		body.Sheets = append(body.Sheets, d.sheetRow(&sheets[i], s.Title))
	}
	p := d.page("Progress of "+body.Name, "class")
	p.Body = body
	d.show(w, r, http.StatusOK, "progress", p)
}

// marksCSV is every marked answer sheet, for spreadsheets.
func (d *dashboard) marksCSV(w http.ResponseWriter, r *http.Request) {
	var b bytes.Buffer
	if err := d.o.Jobs.ExportCSV(r.Context(), &b, "marks"); err != nil {
		d.failed(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="marks.csv"`)
	reply(w, r, http.StatusOK, b.Bytes())
}
