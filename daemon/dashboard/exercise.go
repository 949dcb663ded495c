package dashboard

import (
	"fmt"
	"net/http"
	"strconv"

	"keyturn/daemon/config"
	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/daemon/records"
)

// Exercise is an exercise file and the box file that it names, as TOML.
type Exercise struct{ Text, Box []byte }

// exercise is an Exercise that was read.
type exercise struct {
	Exercise
	file config.Exercise
	box  config.Box
}

func readExercises(files []Exercise) (out []exercise, err error) {
	for _, f := range files {
		e, err := readExercise(f)
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, nil
}

func readExercise(f Exercise) (e exercise, err error) {
	e.Exercise = f
	if e.file, err = config.ParseExercise(f.Text); err != nil {
		return e, fmt.Errorf("exercise file:\n%w", err)
	}
	if e.box, _, err = config.ParseBox(f.Box); err != nil {
		return e, fmt.Errorf("box file of exercise %s:\n%w", e.file.ID, err)
	}
	if err := e.file.Fit(f.Text, &e.box); err != nil {
		return e, fmt.Errorf("exercise %s:\n%w", e.file.ID, err)
	}
	return e, nil
}

// questions are what its answers are read and marked by.
func (e *exercise) questions() []judge.Question { return evidence.Questions(&e.file, &e.box) }

// exerciseRoutes are the addresses of the exercises: those of apprentices, who reach no
// others, and those of the instructor.
func (d *dashboard) exerciseRoutes(mux *routes) {
	learn := func(pattern string, h http.HandlerFunc) { mux.handle(Apprentice, pattern, d.kept(h)) }
	learn("GET /exercises", d.exercisesPage)
	learn("POST /exercises/{sitting}", d.begin)
	learn("GET /answers/{sheet}", d.sheetOf(d.answerSheet))
	learn("POST /answers/{sheet}/cautions", d.sheetOf(d.own(d.acknowledge)))
	learn("POST /answers/{sheet}", d.sheetOf(d.own(d.saveAnswers)))
	teach := func(pattern string, h http.HandlerFunc) { mux.handle(Instructor, pattern, d.kept(h)) }
	teach("GET /class", d.class)
	teach("POST /class", d.release)
	teach("GET /class/exercise/{exercise}", d.exercisePage)
	teach("GET /class/{sitting}", d.sitting)
	teach("POST /class/{sitting}/end", d.endSitting)
	teach("POST /class/{sitting}/delete", d.deleteSitting)
	teach("POST /answers/{sheet}/comment", d.sheetOf(d.comment))
	teach("GET /progress", d.progress)
	teach("GET /class/marks.csv", d.marksCSV)
}

// asked is an answer sheet with what it belongs to.
type asked struct {
	sheet   records.AnswerSheet
	sitting records.Sitting
	exercise
}

// sheetOf finds the answer sheet that an address names, for whom it is of and for the
// instructor. Nobody else learns that there is one.
func (d *dashboard) sheetOf(next func(http.ResponseWriter, *http.Request, *asked)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		a := &asked{}
		var err error
		a.sheet, err = d.o.Jobs.AnswerSheet(r.Context(), r.PathValue("sheet"))
		if p := d.who(r); err == nil && p.Role != Instructor && p.Name != a.sheet.Apprentice {
			err = records.ErrNoSheet
		}
		if err == nil {
			a.sitting, err = d.o.Jobs.Sitting(r.Context(), a.sheet.Sitting)
		}
		if err == nil {
			a.exercise, err = readExercise(Exercise{[]byte(a.sitting.Text), []byte(a.sitting.Box)})
		}
		if err != nil {
			d.notTaken(w, r, err)
			return
		}
		next(w, r, a)
	}
}

// own lets only whom an answer sheet is of write on it.
func (d *dashboard) own(next func(http.ResponseWriter, *http.Request, *asked)) func(http.ResponseWriter, *http.Request, *asked) {
	return func(w http.ResponseWriter, r *http.Request, a *asked) {
		if d.who(r).Name != a.sheet.Apprentice {
			d.sorry(w, r, http.StatusConflict, "Only whom the answer sheet is of writes on it; nothing was changed.")
			return
		}
		next(w, r, a)
	}
}

// sittingNumber is that of an address, or 0.
func sittingNumber(r *http.Request) int64 {
	n, err := strconv.ParseInt(r.PathValue("sitting"), 10, 64)
	if err != nil || n < 1 {
		return 0
	}
	return n
}
