package dashboard

import (
	"fmt"
	"net/http"
	"slices"
	"strings"

	"keyturn/daemon/records"
)

// jobBody is the page of one job.
type jobBody struct {
	jobRow
	May      bool
	IsOpen   bool
	IsBox    bool
	Facts    []fact
	Notices  []string
	Earlier  []jobRow
	Again    []returned // the key cycles of earlier jobs against this one's
	Last     []lastTime
	Phases   []phaseRows
	Differs  []returned
	Fittings []fittingView
	Codes    []codeRows
	Notes    []itemView
	Photos   []photoView
	Put      *webForm
	Code     *webForm
	Note     *webForm
	Photo    *webForm
	Wrong    []*field // of whichever form was sent
}

type fact struct{ Name, Value string }

// returned is what one key cycle shows against another.
type returned struct {
	Against  string // what is held against what
	Sentence string
	AsBefore bool
	Compare  string // where both are side by side
}

// phaseRows are the key cycles of a phase.
type phaseRows struct {
	Word   string
	Cycles []jobCycleRow
}

type jobCycleRow struct{ Path, Name, Put, Drop string }

// fittingView is a fitting in words; what was not noted is empty.
type fittingView struct {
	Accessory, Place, Does      string
	Original, Added             string // fuses
	Cable, Earth, Route, Fitted string
	Path                        string
}

// Facts are those that were noted.
func (v fittingView) Facts() []fact {
	return slices.DeleteFunc([]fact{{"Fuse as found", v.Original}, {"Added fuse", v.Added}, {"Cable", v.Cable}, {"Earth point", v.Earth}, {"Cable route", v.Route}, {"Fitted", v.Fitted}},
		func(f fact) bool { return f.Value == "" })
}

type codeRows struct {
	Word  string
	Codes []itemView
}

type itemView struct{ Head, Text, By, Delete string }

type photoView struct {
	Large, Small, Caption, By, Delete string
	Width, Height                     int
}

// job shows a job.
func (d *dashboard) job(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	d.showJob(w, r, http.StatusOK, file, nil)
}

// showJob shows a job, with one of its forms as it was sent.
func (d *dashboard) showJob(w http.ResponseWriter, r *http.Request, status int, file *records.JobFile, sent *webForm) {
	body, err := d.jobBody(r, file)
	if err != nil {
		d.failed(w, r, err)
		return
	}
	for _, f := range []**webForm{&body.Put, &body.Code, &body.Note, &body.Photo} {
		if sent != nil && *f != nil && sent.ID == (*f).ID {
			*f, body.Wrong = sent, sent.Faults()
		}
	}
	p := d.page(fmt.Sprintf("Job %d: %s", file.Number, jobName(&file.Job)), "jobs")
	p.Body = body
	d.show(w, r, status, "job", p)
}

func (d *dashboard) jobBody(r *http.Request, file *records.JobFile) (b jobBody, err error) {
	ctx := r.Context()
	b = jobBody{jobRow: d.jobRow(&file.Job), May: d.may(r), IsOpen: file.Closed.IsZero(), IsBox: file.Kind == records.BoxJob, Facts: facts(&file.Job)}
	if file.VIN != "" && !records.VINCheckDigit(file.VIN) {
		b.Notices = append(b.Notices, "The ninth letter of the VIN is not the check digit that VINs of North America have. Others need none: look whether it is typed right.")
	}
	cycles, err := d.cyclesOf(ctx, file)
	if err != nil {
		return b, err
	}
	earlier, err := d.o.Jobs.EarlierJobs(ctx, file.Job)
	if err != nil {
		return b, err
	}
	for i := range earlier {
		b.Earlier = append(b.Earlier, d.jobRow(&earlier[i]))
	}
	if b.Again, err = d.again(ctx, earlier, cycles); err != nil {
		return b, err
	}
	if b.Last, err = d.lastTimes(ctx, file.Model, file.Number); err != nil {
		return b, err
	}
	b.Phases, b.Differs = d.phases(file, cycles), d.differs(cycles)
	for i := range file.Fittings {
		b.Fittings = append(b.Fittings, fittingOf(&file.Fittings[i], cycles))
	}
	d.items(&b, file)
	if !b.May {
		return b, nil
	}
	b.Code, b.Note, b.Photo = codeForm(file.Number), noteForm(file.Number), photoForm(file.Number)
	b.Put, err = d.putForm(ctx, file)
	return b, err
}

func facts(j *records.Job) (out []fact) {
	add := func(name, value string) {
		if value != "" {
			out = append(out, fact{name, value})
		}
	}
	add("Registration", clean(j.Registration))
	add("VIN", clean(j.VIN))
	if j.Mileage > 0 {
		add("Mileage", fmt.Sprintf("%d %s", j.Mileage, clean(string(j.MileageUnit))))
	}
	add("Serial number", clean(j.Serial))
	add("Model", jobModel(j))
	add("Fuse box part number", clean(j.Part))
	return out
}

// fittingOf says what was fitted, and what its slot did before.
func fittingOf(f *records.Fitting, cycles []cycleIn) fittingView {
	v := fittingView{Accessory: clean(f.Accessory), Place: placeOf(f), Path: fmt.Sprintf("%s/fitting/%d", jobPath(f.Job), f.ID),
		Original: figure(f.OriginalFuseA, "A"), Added: figure(f.AddedFuseA, "A"), Cable: figure(f.WireMM2, "mm²"),
		Earth: cleanTo(f.EarthPoint, records.JobLineMax), Route: cleanTo(f.CableRoute, records.JobLineMax), Fitted: strings.TrimSpace(by(clean(f.FittedOn), f.FittedBy))}
	for _, phase := range records.CyclePhases() {
		if c := latest(cycles, phase); c != nil && v.Does == "" {
			if v.Does = slotDoes(c.cycle, f.Slot); v.Does != "" && phase != records.Before {
				v.Does += " (measured " + phaseWord(phase) + ")"
			}
		}
	}
	return v
}

// items lists codes, notes and photos.
func (d *dashboard) items(b *jobBody, file *records.JobFile) {
	path := func(kind records.ItemKind, id int64) string {
		return fmt.Sprintf("%s/%s/%d", jobPath(file.Number), kind, id)
	}
	for _, phase := range records.CodePhases() {
		rows := codeRows{Word: phaseWord(phase)}
		for _, c := range file.Codes {
			if c.Phase == phase {
				rows.Codes = append(rows.Codes, itemView{clean(c.Code), cleanTo(c.Text, records.JobLineMax), by(d.day(c.At), c.By), path(records.CodeItem, c.ID) + "/delete"})
			}
		}
		if len(rows.Codes) > 0 {
			b.Codes = append(b.Codes, rows)
		}
	}
	for _, n := range file.Notes {
		b.Notes = append(b.Notes, itemView{"", cleanLines(n.Text), by(d.day(n.At), n.By), path(records.NoteItem, n.ID) + "/delete"})
	}
	for _, p := range file.Photos {
		at := path(records.PhotoItem, p.ID)
		b.Photos = append(b.Photos, photoView{at + "/large", at + "/small", cleanTo(p.Caption, records.JobLineMax), by(d.day(p.At), p.By), at + "/delete", p.Width, p.Height})
	}
}

// cleanLines cleans a text that has lines.
func cleanLines(s string) string {
	lines := strings.Split(s, "\n")
	for i := range lines {
		lines[i] = cleanTo(lines[i], records.JobNoteMax)
	}
	return strings.Join(lines, "\n")
}
