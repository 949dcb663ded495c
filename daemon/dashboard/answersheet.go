package dashboard

import (
	"cmp"
	"errors"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"time"

	"keyturn/daemon/config"
	"keyturn/daemon/judge"
	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// sheetRow is an answer sheet in one line.
type sheetRow struct{ Path, Name, Title, Attempt, When, Standing string }

// standing says how far an answer sheet is.
func (d *dashboard) standing(a *records.AnswerSheet) string {
	switch {
	case !a.Marked.IsZero():
		return report.MarksTotal(&judge.Marks{Got: a.Got, Of: a.Of, NotMarked: a.NotMarked})
	case !a.HandedIn.IsZero():
		return "handed in; the key is to be turned"
	case a.Acknowledged.IsZero():
		return "cautions to be read"
	}
	n := 0
	for _, x := range a.Answers {
		if x.Text != "" {
			n++
		}
	}
	return plural(n, "answer", "answers") + " so far"
}

func (d *dashboard) sheetRow(a *records.AnswerSheet, title string) sheetRow {
	row := sheetRow{Path: sheetPath(a), Name: clean(a.Apprentice), Title: clean(title), Attempt: strconv.FormatInt(a.Attempt, 10), When: d.day(a.Begun), Standing: d.standing(a)}
	return row
}

func sheetPath(a *records.AnswerSheet) string { return "/answers/" + a.ID }

// notTaken says why a sheet or a sitting was not to be had, or not changed.
func (d *dashboard) notTaken(w http.ResponseWriter, r *http.Request, err error) {
	switch {
	case errors.Is(err, records.ErrNoSheet), errors.Is(err, records.ErrNoSitting):
		d.sorry(w, r, http.StatusNotFound, "There is no such exercise, or it is not yours.")
	case errors.Is(err, records.ErrNotTaken):
		d.sorry(w, r, http.StatusConflict, "This exercise takes no more answers: it has ended, or your instructor has not allowed another attempt.")
	case errors.Is(err, records.ErrSheetFixed):
		d.sorry(w, r, http.StatusConflict, "These answers are handed in, so nothing of them was changed.")
	default:
		d.failed(w, r, err)
	}
}

// answersBody is the page of an answer sheet.
type answersBody struct {
	Path, Title, Bench, Name string
	Cautions                 []string
	Meter                    *field // nil where the exercise asks for none
	MeterName                string
	Stage                    string // cautions, answers, waiting or marked; watched for the instructor while it is not marked
	Standing                 string
	Faults                   []*field
	Kept                     string // what the faults leave done; empty where nothing was kept
	Saved                    bool
	Commented                string // what the instructor's form before did
	Questions                []questionView
	Marked                   *markedView
	Comment, CommentBy       string
	Teacher                  bool
	Practice                 bool // there is a simulated box to measure on
	Again                    bool
}

// questionView is a question with what was written under it.
type questionView struct {
	ID, Number, Text string
	Worth            string
	Field            *field
	Hints            []string
	HintCost         string // of the next one; empty where there is none left
	Said             string
	Mark             report.MarkText
	Shape            string // full, part, none or not-marked
}

// markedView is what was found, once it may be seen.
type markedView struct {
	Total   string
	When    string
	Picture template.HTML
	Undrawn []string // answers that the picture cannot show
	Fall    string   // why the battery's fall was not measured
	Rows    []report.Row
	Cranked bool   // a row has a lowest voltage
	Cycle   string // its address, for who may see it
	Danger  bool
	Facts   []fact // on paper
}

func (d *dashboard) answersBody(r *http.Request, a *asked) answersBody {
	b := answersBody{Standing: d.standing(&a.sheet), Path: sheetPath(&a.sheet), Title: clean(a.file.Title), Bench: clean(a.sitting.Bench), Name: clean(a.sheet.Apprentice),
		Practice: d.o.Practice != nil, Teacher: d.who(r).Role == Instructor, Comment: cleanLines(a.sheet.Comment), CommentBy: clean(a.sheet.CommentBy), Again: a.sheet.Again}
	b.Cautions = a.cautions()
	switch {
	case !a.sheet.Marked.IsZero():
		b.Stage = "marked"
	case !a.sheet.HandedIn.IsZero():
		b.Stage = "waiting"
	case !a.sheet.Acknowledged.IsZero():
		b.Stage = "answers"
	default:
		b.Stage = "cautions"
	}
	if d.who(r).Name != a.sheet.Apprentice && b.Stage != "marked" {
		b.Stage = "watched"
	}
	if len(a.file.Meters) > 0 {
		b.Meter = &field{ID: "a-meter", Name: "meter", Label: "Which meter do you measure with?", Kind: "choice"}
		for _, m := range a.file.Meters {
			b.Meter.Options = append(b.Meter.Options, option{m.ID, clean(m.Title)})
			if m.ID == a.sheet.Meter {
				b.MeterName = clean(m.Title)
			}
		}
	}
	questions := a.questions()
	for i := range a.file.Questions {
		b.Questions = append(b.Questions, a.questionView(i, &questions[i]))
	}
	return b
}

func (a *asked) questionView(i int, q *judge.Question) questionView {
	f := &a.file.Questions[i]
	said := a.sheet.Answer(f.ID)
	v := questionView{ID: f.ID, Number: strconv.Itoa(i + 1), Text: cleanTo(f.Text, sentenceMax), Worth: report.MarksWorth(f.Marks), Said: clean(said.Text)}
	if v.Text == "" {
		v.Text = report.Question(q)
	}
	v.Field = &field{ID: "a-" + f.ID, Name: "answer-" + f.ID, Label: v.Text, Kind: "text", Value: said.Text, Hint: report.AnswerForm(q), Known: judge.Choices(q)}
	if few(q) {
		v.Field.Kind, v.Field.Known = "radios", nil
		v.Field.Options = chosenFrom(q)
		v.Field.Value = choice(q, said.Text)
	}
	for k, h := range f.Hints {
		if k < said.Hints {
			v.Hints = append(v.Hints, cleanTo(h.Text, sentenceMax))
		} else if v.HintCost == "" {
			v.HintCost = report.MarksWorth(h.Cost)
		}
	}
	return v
}

func (d *dashboard) answerSheet(w http.ResponseWriter, r *http.Request, a *asked) {
	if a.sheet.Marked.IsZero() && !a.sheet.HandedIn.IsZero() {
		d.markDue(r.Context())
		if now, err := d.o.Jobs.AnswerSheet(r.Context(), a.sheet.ID); err == nil {
			a.sheet = now
		}
	}
	b := d.answersBody(r, a)
	b.Saved = r.URL.Query().Get("done") == "saved" && b.Stage == "answers"
	if b.Teacher && r.URL.Query().Get("done") == "commented" {
		b.Commented = "Kept."
		if b.Again {
			b.Commented = "Kept. " + cmp.Or(b.Name, "Who answered") + " may try again."
		}
	}
	if b.Stage == "marked" {
		if err := d.marked(r, a, &b); err != nil {
			d.failed(w, r, err)
			return
		}
	}
	d.showAnswers(w, r, http.StatusOK, b)
}

func (d *dashboard) showAnswers(w http.ResponseWriter, r *http.Request, status int, b answersBody) {
	p := d.page(b.Title, "exercises")
	if b.Stage == "waiting" || b.Stage == "watched" {
		p.Scripts = []string{"waiting.js"}
	}
	p.Body = b
	d.show(w, r, status, "answers", p)
}

// acknowledge notes that the cautions were read, and the meter.
func (d *dashboard) acknowledge(w http.ResponseWriter, r *http.Request, a *asked) {
	if !d.form(w, r) {
		return
	}
	b := d.answersBody(r, a)
	meter := r.PostForm.Get("meter")
	if !slices.ContainsFunc(a.file.Meters, func(m config.HandMeter) bool { return m.ID == meter }) {
		meter = ""
	}
	switch {
	case r.PostForm.Get("read") == "":
		b.Faults = append(b.Faults, &field{ID: "a-read", Label: "Cautions", Fault: "Read them, then tick that you have."})
	case b.Meter != nil && meter == "":
		b.Meter.Fault = "Choose the meter that you measure with: the lowest voltage is marked by what it can show."
		b.Faults = append(b.Faults, b.Meter)
	}
	if len(b.Faults) > 0 {
		d.showAnswers(w, r, http.StatusUnprocessableEntity, b)
		return
	}
	if err := d.o.Jobs.Acknowledge(r.Context(), a.sheet.ID, meter); err != nil {
		d.notTaken(w, r, err)
		return
	}
	http.Redirect(w, r, sheetPath(&a.sheet), http.StatusSeeOther)
}

// saveAnswers keeps what was written, gives a hint if one was asked for, and hands in if
// that was pressed. What is not clear is asked back, and kept as it was written.
func (d *dashboard) saveAnswers(w http.ResponseWriter, r *http.Request, a *asked) {
	if !d.form(w, r) {
		return
	}
	handIn := r.PostForm.Get("do") == "hand-in"
	questions := a.questions()
	var answers []records.Answer
	faults := map[string]string{}
	for i := range a.file.Questions {
		q := &a.file.Questions[i]
		x := a.sheet.Answer(q.ID)
		if _, sent := r.PostForm["answer-"+q.ID]; sent {
			x.Text = typed(r.PostForm.Get("answer-"+q.ID), false)
		}
		if _, err := questions[i].Read(x.Text); err != nil {
			faults[q.ID] = asksBack(err)
			if runes := []rune(x.Text); len(runes) > records.AnswerMost {
				x.Text = string(runes[:records.AnswerMost])
			}
		}
		if r.PostForm.Get("hint") == q.ID && x.Hints < len(q.Hints) {
			x.Hints++
		}
		answers = append(answers, x)
	}
	refused := ""
	if handIn {
		refused = d.notNow(a.sitting.Bench, time.Now())
		if refused == "" && !a.sitting.Ended.IsZero() {
			refused = "The instructor has ended this exercise; it takes no more answers."
		}
	}
	good := refused == "" && len(faults) == 0
	if err := d.o.Jobs.SaveAnswers(r.Context(), a.sheet.ID, answers, handIn && good); err != nil {
		d.notTaken(w, r, err)
		return
	}
	if good || !handIn && r.PostForm.Get("hint") != "" {
		to := sheetPath(&a.sheet)
		if h := r.PostForm.Get("hint"); h != "" {
			to += "#q-" + h
		} else if !handIn {
			to += "?done=saved"
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
		return
	}
	a.sheet.Answers = answers
	b := d.answersBody(r, a)
	status := http.StatusOK
	b.Kept = "Your answers are kept. Before handing in, say these more clearly:"
	if handIn {
		b.Kept, status = "Your answers are kept, but not handed in yet:", http.StatusUnprocessableEntity
	}
	if refused != "" {
		b.Faults = append(b.Faults, &field{ID: "a-hand-in", Label: "Handing in", Fault: refused})
	}
	for i := range b.Questions {
		if q := &b.Questions[i]; faults[q.ID] != "" {
			q.Field.Fault = faults[q.ID]
			b.Faults = append(b.Faults, &field{ID: q.Field.ID, Label: "Question " + q.Number, Fault: faults[q.ID]})
		}
	}
	d.showAnswers(w, r, status, b)
}

// asksBack is what is wrong with an answer, in the words in which it is asked back.
func asksBack(err error) string {
	var unclear *judge.Unclear
	if errors.As(err, &unclear) {
		return cleanTo(unclear.Error(), sentenceMax)
	}
	return "This cannot be read."
}

// notNow says why a bench cannot turn the key for an answer sheet; empty where it can. The
// key must be off, so that the next key cycle is wholly after the answers.
func (d *dashboard) notNow(bench string, now time.Time) string {
	h, _, ok := d.o.State.one(bench)
	if !ok {
		return "The bench is not heard, so no key cycle could follow. Your answers are kept; tell the instructor."
	}
	v := h.view(now)
	switch {
	case v.Stale || v.age < 0:
		return "The bench is not heard at present, so no key cycle could follow. Your answers are kept; tell the instructor."
	case h.now == nil || h.now.Key != nil && h.now.Key.Position != protocol.PositionOff:
		return "Turn the key to off first: the turn of the key that comes after handing in is the one that counts."
	}
	return ""
}
