package dashboard

import (
	"net/http"
	"net/url"
	"strconv"

	"keyturn/daemon/report"
)

// exerciseBody is the page of an exercise as its file has it, for the instructor's eyes.
type exerciseBody struct {
	Title, Grade, Box, Marks string
	Cautions                 []string
	Questions                []questionView
	Faults                   []plantedRow
}

// exercisePath leads to the page of an exercise.
func exercisePath(e *exercise) string { return "/class/exercise/" + url.PathEscape(e.file.ID) }

// exercisePage shows what an exercise asks, with every hint and planted fault.
func (d *dashboard) exercisePage(w http.ResponseWriter, r *http.Request) {
	for i := range d.exercises {
		if e := &d.exercises[i]; e.file.ID == r.PathValue("exercise") {
			p := d.page("Exercise "+clean(e.file.Title), "class")
			p.Body = e.body()
			d.show(w, r, http.StatusOK, "exercise", p)
			return
		}
	}
	d.sorry(w, r, http.StatusNotFound, "This server was given no exercise of that name.")
}

func (e *exercise) body() exerciseBody {
	b := exerciseBody{Title: clean(e.file.Title), Grade: strconv.Itoa(e.file.Grade), Box: clean(e.box.Title), Marks: report.MarksWorth(e.file.Marks()), Cautions: e.cautions()}
	a := &asked{exercise: *e}
	questions := e.questions()
	for i := range questions {
		q := a.questionView(i, &questions[i])
		for _, h := range e.file.Questions[i].Hints {
			q.Hints = append(q.Hints, cleanTo(h.Text, sentenceMax)+" (takes "+report.MarksWorth(h.Cost)+")")
		}
		b.Questions = append(b.Questions, q)
	}
	for i := range e.file.Faults {
		b.Faults = append(b.Faults, planted(&e.file.Faults[i]))
	}
	return b
}

// cautions are those that are acknowledged before the questions are shown.
func (e *exercise) cautions() (out []string) {
	for _, c := range e.file.Cautions {
		out = append(out, report.Caution(c))
	}
	for _, c := range e.file.HouseRules {
		out = append(out, cleanTo(c, sentenceMax))
	}
	return out
}
