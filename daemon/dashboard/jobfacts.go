package dashboard

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

// formBody is a page that asks one thing.
type formBody struct {
	Title string
	Job   string // whose it is
	Form  *webForm
	Back  string
	Last  []lastTime // on the model
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

func (d *dashboard) newJob(w http.ResponseWriter, r *http.Request) { d.openJobPage(w, r, false) }

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
	body := formBody{Title: title, Form: f, Back: "/jobs"}
	if !sent {
		f.set("Model", typed(r.URL.Query().Get("model"), false))
		d.showForm(w, r, body, f.get("Model"), 0)
		return
	}
	if !d.read(w, r, f) {
		return
	}
	j := jobOf(f, kind)
	if len(f.Faults()) > 0 {
		d.showForm(w, r, body, j.Model, 0)
		return
	}
	number, err := d.o.Jobs.OpenJob(r.Context(), j, d.who(r).Name)
	if err == nil && with != "" {
		q := r.URL.Query()
		err = d.o.Jobs.PutCycle(r.Context(), records.JobCycle{CycleRef: records.CycleRef{Bench: q.Get("bench"), ID: q.Get("cycle")}, Job: number, Phase: records.Before}, d.who(r).Name)
	}
	d.done(w, r, err, jobPath(number))
}

// showForm shows a form, with what was fitted on the model in other jobs than this one.
func (d *dashboard) showForm(w http.ResponseWriter, r *http.Request, body formBody, model string, number int64) {
	status := http.StatusOK
	if len(body.Form.Faults()) > 0 {
		status = http.StatusUnprocessableEntity
	}
	var err error
	if body.Last, err = d.lastTimes(r.Context(), model, number); err != nil {
		d.failed(w, r, err)
		return
	}
	p := d.page(body.Title, "jobs")
	p.Body = body
	d.show(w, r, status, "form-page", p)
}

func (d *dashboard) jobFacts(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	d.factsPage(w, r, file, false)
}

func (d *dashboard) changeJob(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	d.factsPage(w, r, file, true)
}

// factsPage shows the facts of a job to be changed, or takes them.
func (d *dashboard) factsPage(w http.ResponseWriter, r *http.Request, file *records.JobFile, sent bool) {
	f, err := d.factsForm(r, file.Kind, jobPath(file.Number)+"/facts", "Keep the changes")
	if err != nil {
		d.failed(w, r, err)
		return
	}
	body := formBody{Title: "Change job " + strconv.FormatInt(file.Number, 10), Form: f, Back: jobPath(file.Number)}
	if !sent {
		f.setFacts(&file.Job)
		d.showForm(w, r, body, file.Model, file.Number)
		return
	}
	if !d.read(w, r, f) {
		return
	}
	j := jobOf(f, file.Kind)
	j.Number = file.Number
	if len(f.Faults()) > 0 {
		d.showForm(w, r, body, j.Model, file.Number)
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
