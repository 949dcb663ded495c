package dashboard

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"keyturn/daemon/records"
)

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

func (d *dashboard) fitting(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	d.fittingPage(w, r, file, false)
}

func (d *dashboard) putFitting(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	d.fittingPage(w, r, file, true)
}

// fittingPage shows the form of a fitting, new or known, or takes it.
func (d *dashboard) fittingPage(w http.ResponseWriter, r *http.Request, file *records.JobFile, sent bool) {
	f := d.fittingForm(r, file, r.URL.Path)
	x := records.Fitting{Job: file.Number}
	body := formBody{Title: "Note a fitting", Form: f, Back: jobPath(file.Number), Job: fmt.Sprintf("job %d: %s", file.Number, jobName(&file.Job))}
	if text := r.PathValue("item"); text != "" {
		i := slices.IndexFunc(file.Fittings, func(x records.Fitting) bool { return strconv.FormatInt(x.ID, 10) == text })
		if i < 0 {
			d.done(w, r, records.ErrNoJob, "")
			return
		}
		x.ID, body.Title = file.Fittings[i].ID, "Change a fitting"
		f.setFitting(&file.Fittings[i])
	}
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
	}
	d.showForm(w, r, body, file.Model, file.Number)
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

func (d *dashboard) addCodes(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	f := codeForm(file.Number)
	d.addItem(w, r, file, f, func() error {
		return d.o.Jobs.AddCodes(r.Context(), file.Number, records.ReadCodes(records.Phase(f.get("Phase")), f.get("Codes")), d.who(r).Name)
	})
}

func (d *dashboard) addNote(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	f := noteForm(file.Number)
	d.addItem(w, r, file, f, func() error {
		return d.o.Jobs.AddNote(r.Context(), records.JobNote{Job: file.Number, Text: f.get("Text")}, d.who(r).Name)
	})
}

// addItem takes one of a job's small forms; refused, it comes back on the job's page.
func (d *dashboard) addItem(w http.ResponseWriter, r *http.Request, file *records.JobFile, f *webForm, keep func() error) {
	if !d.read(w, r, f) {
		return
	}
	err := keep()
	if f.refused(err) {
		d.showJob(w, r, http.StatusUnprocessableEntity, file, f)
		return
	}
	d.done(w, r, err, jobPath(file.Number)+"#"+f.ID)
}

func (d *dashboard) deleteItem(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	kind, id := records.ItemKind(r.PathValue("list")), int64(0)
	if n, err := strconv.ParseInt(r.PathValue("item"), 10, 64); err == nil {
		id = n
	}
	d.done(w, r, d.o.Jobs.DeleteItem(r.Context(), file.Number, kind, id), jobPath(file.Number))
}
