package dashboard

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"keyturn/daemon/records"
)

// jobRoutes are the addresses of the jobs. Reading is for everyone, the rest for who
// keeps the jobs.
func (d *dashboard) jobRoutes(mux *routes) {
	read := func(pattern string, h http.HandlerFunc) { mux.handle(Viewer, pattern, d.kept(h)) }
	write := func(pattern string, h http.HandlerFunc) { mux.handle(Operator, pattern, d.kept(h)) }
	read("GET /jobs", d.jobs)
	write("GET /jobs/new/{kind}", d.newJob)
	write("POST /jobs/new/{kind}", d.openJob)
	read("GET /job/{job}", d.ofJob(d.job))
	read("GET /job/{job}/card", d.ofJob(d.jobCard))
	write("GET /job/{job}/facts", d.ofJob(d.jobFacts))
	write("POST /job/{job}/facts", d.ofJob(d.changeJob))
	write("POST /job/{job}/close", d.ofJob(d.closeJob))
	write("POST /job/{job}/reopen", d.ofJob(d.closeJob))
	write("GET /job/{job}/delete", d.ofJob(d.sureToDelete))
	write("POST /job/{job}/delete", d.ofJob(d.deleteJob))
	write("POST /job/{job}/cycle", d.ofJob(d.putCycle))
	write("POST /job/{job}/cycle/{bench}/{id}/drop", d.ofJob(d.dropCycle))
	write("POST /cycle/{bench}/{id}/job", d.putThisCycle)
	write("GET /job/{job}/fitting", d.ofJob(d.fitting))
	write("POST /job/{job}/fitting", d.ofJob(d.putFitting))
	write("GET /job/{job}/fitting/{item}", d.ofJob(d.fitting))
	write("POST /job/{job}/fitting/{item}", d.ofJob(d.putFitting))
	write("POST /job/{job}/codes", d.ofJob(d.addCodes))
	write("POST /job/{job}/notes", d.ofJob(d.addNote))
	write("POST /job/{job}/{list}/{item}/delete", d.ofJob(d.deleteItem))
	read("GET /job/{job}/photo/{item}/{size}", d.photo)
	mux.handleBytes(Operator, "POST /job/{job}/photos", uploadMax, slowly(d.kept(d.ofJob(d.addPhoto))))
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

func (d *dashboard) closeJob(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
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

func (d *dashboard) sureToDelete(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
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

func (d *dashboard) deleteJob(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	d.done(w, r, d.o.Jobs.DeleteJob(r.Context(), file.Number), "/jobs")
}

// ofJob finds the job that an address names.
func (d *dashboard) ofJob(next func(http.ResponseWriter, *http.Request, *records.JobFile)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		number, err := strconv.ParseInt(r.PathValue("job"), 10, 64)
		if err != nil || number < 1 {
			d.sorry(w, r, http.StatusNotFound, "That is no job's number.")
			return
		}
		file, err := d.o.Jobs.Job(r.Context(), number)
		if err != nil {
			d.done(w, r, err, "")
			return
		}
		next(w, r, &file)
	}
}
