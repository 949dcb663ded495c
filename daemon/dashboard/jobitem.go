package dashboard

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

// recentMost is how many key cycles a job offers to be put into it.
const recentMost = 12

func phaseChoice() *field {
	f := &field{Name: "Phase", Label: "Measured", Kind: "choice"}
	for _, p := range records.CyclePhases() {
		f.Options = append(f.Options, option{string(p), phaseWord(p)})
	}
	return f
}

// putForm offers the latest key cycles that are not in the job yet; nil if there is none.
func (d *dashboard) putForm(ctx context.Context, file *records.JobFile) (*webForm, error) {
	found, err := d.o.Jobs.Cycles(ctx, records.Filter{Limit: recentMost + len(file.Cycles)})
	if err != nil {
		return nil, err
	}
	cycle := &field{Name: "Cycle", Label: "Key cycle", Kind: "choice"}
	for _, c := range found {
		if len(cycle.Options) < recentMost && !slices.ContainsFunc(file.Cycles, func(x records.JobCycle) bool { return x.Bench == c.Bench && x.ID == c.ID }) {
			cycle.Options = append(cycle.Options, option{c.Bench + "/" + c.ID, d.cycleName(c)})
		}
	}
	if len(cycle.Options) == 0 {
		return nil, nil
	}
	phase := phaseChoice()
	for _, p := range records.CyclePhases() { // the next that there is none of
		if !slices.ContainsFunc(file.Cycles, func(x records.JobCycle) bool { return x.Phase == p }) {
			phase.Value = string(p)
			break
		}
	}
	return newForm("put", jobPath(file.Number)+"/cycle", "Put it in", cycle, phase), nil
}

// putCycle puts one of the latest key cycles into a job.
func (d *dashboard) putCycle(w http.ResponseWriter, r *http.Request) {
	file, ok := d.jobFile(w, r)
	if !ok {
		return
	}
	f := newForm("put", "", "", &field{Name: "Cycle"}, phaseChoice())
	if !d.read(w, r, f) {
		return
	}
	bench, id, _ := strings.Cut(f.get("Cycle"), "/")
	d.put(w, r, records.CycleRef{Bench: bench, ID: id}, file.Number, records.Phase(f.get("Phase")))
}

// cycleJobs is what a key cycle's page says and asks about jobs.
type cycleJobs struct {
	In   []fact // the job's path and what the cycle is there
	May  bool
	Form *webForm
	New  string // what the address of a new job ends with
}

// openMost is how many open jobs a key cycle's page offers.
const openMost = 50

// jobsOfCycle tells in which jobs a key cycle is, and offers the open ones; nil where
// there are no records of jobs.
func (d *dashboard) jobsOfCycle(r *http.Request, c *protocol.Cycle) (*cycleJobs, error) {
	if d.o.Jobs == nil {
		return nil, nil
	}
	ref := records.CycleRef{Bench: c.Bench, ID: c.ID}
	in, err := d.o.Jobs.JobsOfCycle(r.Context(), ref)
	if err != nil {
		return nil, err
	}
	out := &cycleJobs{May: d.may(r), New: "?bench=" + c.Bench + "&cycle=" + c.ID}
	for _, x := range in {
		out.In = append(out.In, fact{jobPath(x.Job), fmt.Sprintf("job %d, %s", x.Job, phaseWord(x.Phase))})
	}
	if !out.May {
		return out, nil
	}
	found, err := d.o.Jobs.Jobs(r.Context(), records.JobFilter{Open: true, Limit: openMost})
	if err != nil {
		return nil, err
	}
	job := &field{Name: "Job", Label: "Job", Kind: "choice"}
	for i := range found {
		n := strconv.FormatInt(found[i].Number, 10)
		job.Options = append(job.Options, option{n, strings.TrimSpace(n + ": " + jobName(&found[i]) + " " + jobModel(&found[i]))})
	}
	if len(found) > 0 {
		out.Form = newForm("put", "/cycle/"+c.Bench+"/"+c.ID+"/job", "Put this key cycle in", job, phaseChoice())
	}
	return out, nil
}

// putThisCycle puts the key cycle of a page into a job.
func (d *dashboard) putThisCycle(w http.ResponseWriter, r *http.Request) {
	f := newForm("put", "", "", &field{Name: "Job"}, phaseChoice())
	if !d.read(w, r, f) {
		return
	}
	d.put(w, r, records.CycleRef{Bench: r.PathValue("bench"), ID: r.PathValue("id")}, f.count("Job"), records.Phase(f.get("Phase")))
}

// put puts a key cycle into a job. Both forms offer choices only: what is none of them
// was not typed by anybody.
func (d *dashboard) put(w http.ResponseWriter, r *http.Request, c records.CycleRef, job int64, phase records.Phase) {
	if protocol.CheckID(c.Bench) != nil || protocol.CheckID(c.ID) != nil || !slices.Contains(records.CyclePhases(), phase) {
		d.sorry(w, r, http.StatusBadRequest, "Choose a key cycle, a job and when it was measured.")
		return
	}
	err := d.o.Jobs.PutCycle(r.Context(), records.JobCycle{CycleRef: c, Job: job, Phase: phase}, d.who(r).Name)
	d.done(w, r, err, jobPath(job)+"#cycles")
}

func (d *dashboard) dropCycle(w http.ResponseWriter, r *http.Request) {
	file, ok := d.jobFile(w, r)
	if !ok {
		return
	}
	err := d.o.Jobs.DropCycle(r.Context(), file.Number, records.CycleRef{Bench: r.PathValue("bench"), ID: r.PathValue("id")})
	d.done(w, r, err, jobPath(file.Number)+"#cycles")
}

// fittingBody is the page on which a fitting is noted or changed.
type fittingBody struct {
	Title string
	Form  *webForm
	Back  string
	Job   string
	Last  []lastTime
}

func (d *dashboard) fittingForm(r *http.Request, file *records.JobFile, action string) *webForm {
	side := &field{Name: "FeedSide", Label: "Feed side", Hint: "The hot contact, seen with the label upright.", Kind: "choice", Options: []option{{"", "not known"}}}
	for _, s := range records.FeedSides() {
		side.Options = append(side.Options, option{s, s})
	}
	f := newForm("fitting", action, "Keep it",
		&field{Name: "Accessory", Label: "What was fitted", Hint: "One feed at a time: an accessory with two feeds is noted twice."},
		&field{Name: "Slot", Label: "Slot that feeds it", Hint: "As on the box, in small letters, digits and hyphens: f18."}, side,
		&field{Name: "OriginalFuseA", Label: "Fuse as found, A", Mode: "decimal"}, &field{Name: "AddedFuseA", Label: "Added fuse, A", Mode: "decimal"},
		&field{Name: "WireMM2", Label: "Cable, mm²", Mode: "decimal"}, &field{Name: "EarthPoint", Label: "Earth point"}, &field{Name: "CableRoute", Label: "Cable route"},
		&field{Name: "FittedBy", Label: "Fitted by", Value: d.who(r).Name}, &field{Name: "FittedOn", Label: "Fitted on", Kind: "date", Value: time.Now().In(d.o.Zone).Format(time.DateOnly)})
	return f
}

func (f *webForm) setFitting(x *records.Fitting) {
	for name, value := range map[string]string{"Accessory": x.Accessory, "Slot": x.Slot, "FeedSide": x.FeedSide, "OriginalFuseA": figure(x.OriginalFuseA, ""), "AddedFuseA": figure(x.AddedFuseA, ""),
		"WireMM2": figure(x.WireMM2, ""), "EarthPoint": x.EarthPoint, "CableRoute": x.CableRoute, "FittedBy": x.FittedBy, "FittedOn": x.FittedOn} { // each by itself
		f.set(name, strings.TrimSpace(value))
	}
}

func (d *dashboard) fitting(w http.ResponseWriter, r *http.Request)    { d.fittingPage(w, r, false) }
func (d *dashboard) putFitting(w http.ResponseWriter, r *http.Request) { d.fittingPage(w, r, true) }

// fittingPage shows the form of a fitting, new or known, or takes it.
func (d *dashboard) fittingPage(w http.ResponseWriter, r *http.Request, sent bool) {
	file, ok := d.jobFile(w, r)
	if !ok {
		return
	}
	f := d.fittingForm(r, &file, r.URL.Path)
	x := records.Fitting{Job: file.Number}
	body := fittingBody{Title: "Note a fitting", Form: f, Back: jobPath(file.Number), Job: fmt.Sprintf("job %d: %s", file.Number, jobName(&file.Job))}
	if text := r.PathValue("item"); text != "" {
		i := slices.IndexFunc(file.Fittings, func(x records.Fitting) bool { return strconv.FormatInt(x.ID, 10) == text })
		if i < 0 {
			d.done(w, r, records.ErrNoJob, "")
			return
		}
		x.ID, body.Title = file.Fittings[i].ID, "Change a fitting"
		f.setFitting(&file.Fittings[i])
	}
	status := http.StatusOK
	if sent {
		if !d.read(w, r, f) {
			return
		}
		x.Accessory, x.Slot, x.FeedSide = f.get("Accessory"), strings.ToLower(f.get("Slot")), f.get("FeedSide")
		x.OriginalFuseA, x.AddedFuseA, x.WireMM2 = f.number("OriginalFuseA"), f.number("AddedFuseA"), f.number("WireMM2")
		x.EarthPoint, x.CableRoute, x.FittedBy, x.FittedOn = f.get("EarthPoint"), f.get("CableRoute"), f.get("FittedBy"), f.get("FittedOn")
		f.refused(x.Check())
		if len(f.Faults()) == 0 {
			d.done(w, r, d.o.Jobs.PutFitting(r.Context(), x, d.who(r).Name), jobPath(file.Number)+"#fittings")
			return
		}
		status = http.StatusUnprocessableEntity
	}
	var err error
	if body.Last, err = d.lastTimes(r.Context(), file.Model, file.Number); err != nil {
		d.failed(w, r, err)
		return
	}
	p := d.page(body.Title, "jobs")
	p.Body = body
	d.show(w, r, status, "fitting", p)
}

func codeForm(job int64) *webForm {
	phase := &field{Name: "Phase", Label: "Read", Kind: "choice"}
	for _, p := range records.CodePhases() {
		phase.Options = append(phase.Options, option{string(p), phaseWord(p)})
	}
	return newForm("codes", jobPath(job)+"/codes", "Keep the codes", phase,
		&field{Name: "Codes", Label: "Fault codes", Hint: "A line each, with what it means: P0123 throttle sensor. Where there are none, write: none.", Kind: "lines"})
}

func noteForm(job int64) *webForm {
	return newForm("notes", jobPath(job)+"/notes", "Keep the note", &field{Name: "Text", Label: "Note", Kind: "lines"})
}

func (d *dashboard) addCodes(w http.ResponseWriter, r *http.Request) {
	d.addItem(w, r, codeForm, func(ctx context.Context, f *webForm, job int64) error {
		return d.o.Jobs.AddCodes(ctx, job, records.ReadCodes(records.Phase(f.get("Phase")), f.get("Codes")), d.who(r).Name)
	})
}

func (d *dashboard) addNote(w http.ResponseWriter, r *http.Request) {
	d.addItem(w, r, noteForm, func(ctx context.Context, f *webForm, job int64) error {
		return d.o.Jobs.AddNote(ctx, records.JobNote{Job: job, Text: f.get("Text")}, d.who(r).Name)
	})
}

// addItem takes one of a job's small forms; refused, it comes back on the job's page.
func (d *dashboard) addItem(w http.ResponseWriter, r *http.Request, blank func(int64) *webForm, keep func(context.Context, *webForm, int64) error) {
	file, ok := d.jobFile(w, r)
	if !ok {
		return
	}
	f := blank(file.Number)
	if !d.read(w, r, f) {
		return
	}
	err := keep(r.Context(), f, file.Number)
	if f.refused(err) {
		d.showJob(w, r, http.StatusUnprocessableEntity, &file, f)
		return
	}
	d.done(w, r, err, jobPath(file.Number)+"#"+f.ID)
}

func (d *dashboard) deleteItem(w http.ResponseWriter, r *http.Request) {
	file, ok := d.jobFile(w, r)
	if !ok {
		return
	}
	kind, id := records.ItemKind(r.PathValue("list")), int64(0)
	if n, err := strconv.ParseInt(r.PathValue("item"), 10, 64); err == nil {
		id = n
	}
	d.done(w, r, d.o.Jobs.DeleteItem(r.Context(), file.Number, kind, id), jobPath(file.Number))
}
