package dashboard

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

// jobRoutes are the addresses of the jobs. Reading is for everyone, the rest for who
// keeps the jobs.
func (d *dashboard) jobRoutes(mux *http.ServeMux) {
	read := func(pattern string, h http.HandlerFunc) { mux.HandleFunc(pattern, d.kept(h)) }
	write := func(pattern string, h http.HandlerFunc) { mux.HandleFunc(pattern, d.allow(Operator, d.kept(h))) }
	read("GET /jobs", d.jobs)
	write("GET /jobs/new/{kind}", d.newJob)
	write("POST /jobs/new/{kind}", d.openJob)
	read("GET /job/{job}", d.job)
	read("GET /job/{job}/card", d.jobCard)
	write("GET /job/{job}/facts", d.jobFacts)
	write("POST /job/{job}/facts", d.changeJob)
	write("POST /job/{job}/close", d.closeJob)
	write("POST /job/{job}/reopen", d.closeJob)
	write("GET /job/{job}/delete", d.sureToDelete)
	write("POST /job/{job}/delete", d.deleteJob)
	write("POST /job/{job}/cycle", d.putCycle)
	write("POST /job/{job}/cycle/{bench}/{id}/drop", d.dropCycle)
	write("POST /cycle/{bench}/{id}/job", d.putThisCycle)
	write("GET /job/{job}/fitting", d.fitting)
	write("POST /job/{job}/fitting", d.putFitting)
	write("GET /job/{job}/fitting/{item}", d.fitting)
	write("POST /job/{job}/fitting/{item}", d.putFitting)
	write("POST /job/{job}/codes", d.addCodes)
	write("POST /job/{job}/notes", d.addNote)
	write("POST /job/{job}/{list}/{item}/delete", d.deleteItem)
	read("GET /job/{job}/photo/{item}/{size}", d.photo)
	mux.HandleFunc("POST /job/{job}/photos", d.allowPhoto(Operator, d.kept(d.addPhoto)))
}

// kept lets a handler be reached where there are records.
func (d *dashboard) kept(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if d.o.Jobs == nil {
			d.sorry(w, r, http.StatusNotFound, "This server keeps no records, so it keeps no jobs.")
			return
		}
		next(w, r)
	}
}

// may reports whether who asks may change jobs.
func (d *dashboard) may(r *http.Request) bool { return d.who(r).Role >= Operator }

// done answers a change: with the page to go on from, or with why there is none.
func (d *dashboard) done(w http.ResponseWriter, r *http.Request, err error, next string) {
	switch {
	case err == nil:
		http.Redirect(w, r, next, http.StatusSeeOther)
	case errors.Is(err, records.ErrNoJob):
		d.sorry(w, r, http.StatusNotFound, "The records have no such job, or what you wanted to change is no longer in it.")
	case errors.Is(err, records.ErrNone):
		d.sorry(w, r, http.StatusNotFound, "The records have no such key cycle.")
	case errors.Is(err, records.ErrFull):
		d.sorry(w, r, http.StatusConflict, "That list of the job holds "+strconv.Itoa(records.JobItemsMost)+" already: nothing more was kept. Open another job.")
	default:
		d.failed(w, r, err)
	}
}

// jobsBody is the page Jobs.
type jobsBody struct {
	Text  string
	Open  bool
	May   bool
	Rows  []jobRow
	Older string
	First bool
}

// jobRow is a job in one line.
type jobRow struct{ Path, Number, Name, Model, Opened, Standing string }

func (d *dashboard) jobRow(j *records.Job) jobRow {
	row := jobRow{Path: jobPath(j.Number), Number: strconv.FormatInt(j.Number, 10), Name: jobName(j), Model: jobModel(j), Opened: by(d.day(j.Opened), j.OpenedBy), Standing: "open"}
	if !j.Closed.IsZero() {
		row.Standing = by("closed "+d.day(j.Closed), j.ClosedBy)
	}
	return row
}

func (d *dashboard) jobs(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	body := jobsBody{Text: typed(q.Get("q"), false), Open: q.Get("open") != "", May: d.may(r), First: true}
	f := records.JobFilter{Text: body.Text, Open: body.Open, Limit: pageOf + 1}
	if text := q.Get("before"); text != "" {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil || n < 1 {
			d.sorry(w, r, http.StatusBadRequest, "That page has no beginning: search again.")
			return
		}
		f.Before, body.First = n, false
	}
	found, err := d.o.Jobs.Jobs(r.Context(), f)
	if err != nil {
		d.failed(w, r, err)
		return
	}
	if len(found) > pageOf {
		found = found[:pageOf]
		next := url.Values{"before": {strconv.FormatInt(found[pageOf-1].Number, 10)}, "q": {body.Text}}
		if body.Open {
			next.Set("open", "yes")
		}
		body.Older = "/jobs?" + next.Encode()
	}
	for i := range found {
		body.Rows = append(body.Rows, d.jobRow(&found[i]))
	}
	p := d.page("Jobs", "jobs")
	p.Body = body
	d.show(w, r, http.StatusOK, "jobs", p)
}

// factsBody is the page on which a job is opened or its facts are changed.
type factsBody struct {
	Title string
	Form  *webForm
	Back  string
	Model string
	Last  []lastTime
}

// factsForm asks for what a job is about.
func (d *dashboard) factsForm(r *http.Request, kind records.JobKind, action, submit string) (*webForm, error) {
	models, parts, err := d.o.Jobs.Models(r.Context())
	if err != nil {
		return nil, err
	}
	model := &field{Name: "Model", Label: "Model", Hint: "Maker and model. The job's page then shows what was fitted on it before.", Known: models}
	year := &field{Name: "Year", Label: "Model year", Mode: "numeric"}
	part := &field{Name: "Part", Label: "Fuse box part number", Known: parts}
	if kind == records.BoxJob {
		model.Hint = "Maker and model of the vehicle that the box is from."
		return newForm("facts", action, submit, &field{Name: "Serial", Label: "Serial number", Hint: "As on the box; else write one on it."}, part, model, year), nil
	}
	return newForm("facts", action, submit,
		&field{Name: "Registration", Label: "Registration"},
		&field{Name: "VIN", Label: "VIN", Hint: "17 letters and digits, without I, O and Q."},
		&field{Name: "Mileage", Label: "Mileage", Mode: "numeric"},
		&field{Name: "MileageUnit", Label: "Counted in", Kind: "choice", Options: []option{{"km", "kilometres"}, {"mi", "miles"}}},
		model, year, part), nil
}

// jobOf reads a job from its form; what cannot be read is said beside the field.
func jobOf(f *webForm, kind records.JobKind) records.Job {
	f.set("VIN", strings.ToUpper(strings.ReplaceAll(f.get("VIN"), " ", "")))
	f.set("Registration", strings.ToUpper(f.get("Registration")))
	j := records.Job{Kind: kind, Registration: f.get("Registration"), VIN: f.get("VIN"), Model: f.get("Model"), Part: f.get("Part"), Serial: f.get("Serial"),
		Mileage: f.count("Mileage"), MileageUnit: records.MileageUnit(f.get("MileageUnit")), Year: f.count("Year")}
	if j.Mileage == 0 {
		j.MileageUnit = ""
	}
	f.refused(j.Check())
	return j
}

// kindOf is what a new job is about.
func kindOf(r *http.Request) (kind records.JobKind, title string) {
	switch kind = records.JobKind(r.PathValue("kind")); kind {
	case records.VehicleJob:
		return kind, "Open a job for a vehicle"
	case records.BoxJob:
		return kind, "Open a job for a box"
	}
	return "", ""
}

// beginsWith is the key cycle that a new job begins with; empty without one.
func beginsWith(r *http.Request) string {
	q := r.URL.Query()
	if protocol.CheckID(q.Get("bench")) != nil || protocol.CheckID(q.Get("cycle")) != nil {
		return ""
	}
	return "?" + url.Values{"bench": {q.Get("bench")}, "cycle": {q.Get("cycle")}}.Encode()
}

func (d *dashboard) newJob(w http.ResponseWriter, r *http.Request)  { d.openJobPage(w, r, false) }
func (d *dashboard) openJob(w http.ResponseWriter, r *http.Request) { d.openJobPage(w, r, true) }

// openJobPage shows the form of a new job, or takes it.
func (d *dashboard) openJobPage(w http.ResponseWriter, r *http.Request, sent bool) {
	kind, title := kindOf(r)
	if kind == "" {
		d.sorry(w, r, http.StatusNotFound, "A job is about a vehicle or a box.")
		return
	}
	with := beginsWith(r)
	f, err := d.factsForm(r, kind, "/jobs/new/"+string(kind)+with, "Open the job")
	if err != nil {
		d.failed(w, r, err)
		return
	}
	body := factsBody{Title: title, Form: f, Back: "/jobs"}
	if !sent {
		f.set("Model", typed(r.URL.Query().Get("model"), false))
		d.showFacts(w, r, http.StatusOK, body, 0)
		return
	}
	if !d.read(w, r, f) {
		return
	}
	j := jobOf(f, kind)
	if len(f.Faults()) > 0 {
		d.showFacts(w, r, http.StatusUnprocessableEntity, body, 0)
		return
	}
	number, err := d.o.Jobs.OpenJob(r.Context(), j, d.who(r).Name)
	if err == nil && with != "" {
		q := r.URL.Query()
		err = d.o.Jobs.PutCycle(r.Context(), records.JobCycle{CycleRef: records.CycleRef{Bench: q.Get("bench"), ID: q.Get("cycle")}, Job: number, Phase: records.Before}, d.who(r).Name)
	}
	d.done(w, r, err, jobPath(number))
}

func (d *dashboard) showFacts(w http.ResponseWriter, r *http.Request, status int, body factsBody, number int64) {
	body.Model = body.Form.get("Model")
	var err error
	if body.Last, err = d.lastTimes(r.Context(), body.Model, number); err != nil {
		d.failed(w, r, err)
		return
	}
	p := d.page(body.Title, "jobs")
	p.Body = body
	d.show(w, r, status, "facts", p)
}

func (d *dashboard) jobFacts(w http.ResponseWriter, r *http.Request)  { d.factsPage(w, r, false) }
func (d *dashboard) changeJob(w http.ResponseWriter, r *http.Request) { d.factsPage(w, r, true) }

// factsPage shows the facts of a job to be changed, or takes them.
func (d *dashboard) factsPage(w http.ResponseWriter, r *http.Request, sent bool) {
	file, ok := d.jobFile(w, r)
	if !ok {
		return
	}
	f, err := d.factsForm(r, file.Kind, jobPath(file.Number)+"/facts", "Keep the changes")
	if err != nil {
		d.failed(w, r, err)
		return
	}
	body := factsBody{Title: "Change job " + strconv.FormatInt(file.Number, 10), Form: f, Back: jobPath(file.Number)}
	if !sent {
		f.setFacts(&file.Job)
		d.showFacts(w, r, http.StatusOK, body, file.Number)
		return
	}
	if !d.read(w, r, f) {
		return
	}
	j := jobOf(f, file.Kind)
	j.Number = file.Number
	if len(f.Faults()) > 0 {
		d.showFacts(w, r, http.StatusUnprocessableEntity, body, file.Number)
		return
	}
	d.done(w, r, d.o.Jobs.UpdateJob(r.Context(), j), jobPath(j.Number))
}

// setFacts fills the form with what is known.
func (f *webForm) setFacts(j *records.Job) {
	whole := func(n int64) string {
		if n == 0 {
			return ""
		}
		return strconv.FormatInt(n, 10)
	}
	for name, value := range map[string]string{"Registration": j.Registration, "VIN": j.VIN, "Mileage": whole(j.Mileage), "MileageUnit": string(j.MileageUnit),
		"Model": j.Model, "Year": whole(j.Year), "Part": j.Part, "Serial": j.Serial} { // each by itself
		f.set(name, value)
	}
}

func (d *dashboard) closeJob(w http.ResponseWriter, r *http.Request) {
	file, ok := d.jobFile(w, r)
	if !ok {
		return
	}
	err := d.o.Jobs.CloseJob(r.Context(), file.Number, strings.HasSuffix(r.URL.Path, "/close"), d.who(r).Name)
	if errors.Is(err, records.ErrNoJob) {
		err = nil // somebody else was faster
	}
	d.done(w, r, err, jobPath(file.Number))
}

// deleteBody asks once more.
type deleteBody struct {
	Job  jobRow
	Path string
	What []string
}

func (d *dashboard) sureToDelete(w http.ResponseWriter, r *http.Request) {
	file, ok := d.jobFile(w, r)
	if !ok {
		return
	}
	body := deleteBody{Job: d.jobRow(&file.Job), Path: jobPath(file.Number), What: []string{"what is known of it and who worked on it"}}
	for _, x := range []struct {
		n         int
		one, many string
	}{{len(file.Fittings), "fitting", "fittings"}, {len(file.Codes), "fault code", "fault codes"}, {len(file.Notes), "note", "notes"}, {len(file.Photos), "photo", "photos"}} {
		if x.n > 0 {
			body.What = append(body.What, plural(x.n, x.one, x.many))
		}
	}
	p := d.page("Delete job "+body.Job.Number, "jobs")
	p.Body = body
	d.show(w, r, http.StatusOK, "deletejob", p)
}

func (d *dashboard) deleteJob(w http.ResponseWriter, r *http.Request) {
	file, ok := d.jobFile(w, r)
	if !ok {
		return
	}
	d.done(w, r, d.o.Jobs.DeleteJob(r.Context(), file.Number), "/jobs")
}

// jobFile is the job that an address names; it answers itself where there is none.
func (d *dashboard) jobFile(w http.ResponseWriter, r *http.Request) (records.JobFile, bool) {
	number, err := strconv.ParseInt(r.PathValue("job"), 10, 64)
	if err != nil || number < 1 {
		d.sorry(w, r, http.StatusNotFound, "That is no job's number.")
		return records.JobFile{}, false
	}
	file, err := d.o.Jobs.Job(r.Context(), number)
	if err != nil {
		d.done(w, r, err, "")
		return file, false
	}
	return file, true
}
