package dashboard

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// cycleIn is a key cycle of a job, read.
type cycleIn struct {
	records.JobCycle
	cycle *protocol.Cycle
}

// cyclesOf reads a job's key cycles, the latest first.
func (d *dashboard) cyclesOf(ctx context.Context, file *records.JobFile) (out []cycleIn, err error) {
	for _, x := range file.Cycles {
		c, err := d.o.Jobs.Cycle(ctx, x.Bench, x.ID)
		if err != nil {
			return nil, err
		}
		out = append(out, cycleIn{x, c})
	}
	return out, nil
}

// latest is the latest key cycle of a phase; nil without one.
func latest(cycles []cycleIn, phase records.Phase) *cycleIn {
	if i := slices.IndexFunc(cycles, func(c cycleIn) bool { return c.Phase == phase }); i >= 0 {
		return &cycles[i]
	}
	return nil
}

// again holds the key cycle from before this job against the last one of the latest
// earlier job that has any: what the vehicle or box left as, and what it came back as.
func (d *dashboard) again(ctx context.Context, earlier []records.Job, cycles []cycleIn) ([]returned, error) {
	now := latest(cycles, records.Before)
	if now == nil {
		return nil, nil
	}
	for i := range earlier {
		file, err := d.o.Jobs.Job(ctx, earlier[i].Number)
		if err != nil {
			return nil, err
		}
		// One that is in both jobs would be held against itself.
		k := slices.IndexFunc(file.Cycles, func(x records.JobCycle) bool { return x.CycleRef != now.CycleRef })
		if k < 0 {
			continue
		}
		then := file.Cycles[k]
		c, err := d.o.Jobs.Cycle(ctx, then.Bench, then.ID)
		if err != nil {
			return nil, err
		}
		against := fmt.Sprintf("On its return, against the last key cycle of job %d (%s)", file.Number, phaseWord(then.Phase))
		return []returned{held(against, c, now.cycle)}, nil
	}
	return nil, nil
}

// differs holds what was measured fitted, and removed again, against before.
func (d *dashboard) differs(cycles []cycleIn) (out []returned) {
	before := latest(cycles, records.Before)
	if before == nil {
		return nil
	}
	for _, phase := range []records.Phase{records.Fitted, records.Removed} {
		if c := latest(cycles, phase); c != nil {
			out = append(out, held("The latest "+phaseWord(phase)+", against the latest before fitting", before.cycle, c.cycle))
		}
	}
	return out
}

func held(against string, before, after *protocol.Cycle) returned {
	c := compareCycles(before, after)
	return returned{against, c.Sentence, c.AsBefore, compareURL(before, after)}
}

// phases lists the key cycles phase by phase.
func (d *dashboard) phases(file *records.JobFile, cycles []cycleIn) (out []phaseRows) {
	for _, phase := range records.CyclePhases() {
		rows := phaseRows{Word: phaseWord(phase)}
		for _, c := range cycles {
			if c.Phase == phase {
				path := "/" + c.Bench + "/" + c.ID
				rows.Cycles = append(rows.Cycles, jobCycleRow{Path: "/cycle" + path, Name: d.cycleName(c.cycle),
					Put: by(d.day(c.Put), c.By), Drop: jobPath(file.Number) + "/cycle" + path + "/drop"})
			}
		}
		if len(rows.Cycles) > 0 {
			out = append(out, rows)
		}
	}
	return out
}

// cycleName tells a key cycle from others.
func (d *dashboard) cycleName(c *protocol.Cycle) string {
	return fmt.Sprintf("%s, bench %s: %s", d.called(c), clean(c.Bench), keyWords(c))
}

// keyWords names the positions of the key in their order.
func keyWords(c *protocol.Cycle) string {
	var words []string
	for _, k := range c.Key {
		words = append(words, report.Position(k.Position))
	}
	return cleanTo(strings.Join(words, " → "), 2*textMax)
}

func phaseChoice() *field {
	f := &field{Name: "Phase", Label: "Measured", Kind: "choice"}
	for _, p := range records.CyclePhases() {
		f.Options = append(f.Options, option{string(p), phaseWord(p)})
	}
	return f
}

// recentMost is how many key cycles a job offers to be put into it.
const recentMost = 12

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
func (d *dashboard) putCycle(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
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

func (d *dashboard) dropCycle(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	err := d.o.Jobs.DropCycle(r.Context(), file.Number, records.CycleRef{Bench: r.PathValue("bench"), ID: r.PathValue("id")})
	d.done(w, r, err, jobPath(file.Number)+"#cycles")
}
