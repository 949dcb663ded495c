package dashboard

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// phaseWord says when in a job something was.
func phaseWord(p records.Phase) string {
	switch p {
	case records.Before:
		return "before fitting"
	case records.Fitted:
		return "fitted"
	case records.Removed:
		return "removed again"
	case records.After:
		return "afterwards"
	}
	return clean(string(p))
}

// jobName names a job by what it is about.
func jobName(j *records.Job) string {
	switch {
	case j.Kind == records.BoxJob:
		return "box " + clean(j.Serial)
	case j.Registration != "":
		return clean(j.Registration)
	}
	return "VIN " + clean(j.VIN)
}

// jobModel is the model with its year.
func jobModel(j *records.Job) string {
	if j.Year == 0 {
		return clean(j.Model)
	}
	return strings.TrimSpace(clean(j.Model) + " " + strconv.FormatInt(j.Year, 10))
}

func (d *dashboard) day(t time.Time) string { return t.In(d.o.Zone).Format("2 Jan 2006") }

// by adds who did it, where that is known.
func by(text, who string) string {
	if who == "" {
		return text
	}
	return text + " by " + clean(who)
}

func jobPath(number int64) string { return "/job/" + strconv.FormatInt(number, 10) }

// figure writes a number without needless digits; empty for one that was not noted.
func figure(v float64, unit string) string {
	if v == 0 {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64) + " " + unit
}

// slotDoes says what a slot does and how long it stays on; empty where the key cycle
// does not have it.
func slotDoes(c *protocol.Cycle, slot string) string {
	s := slotNamed(c, slot)
	if s == nil {
		return ""
	}
	text := report.Behaviour(s)
	switch off := report.OffAfter(s); {
	case off == "":
	case s.StaysOnOpen:
		text += ", " + off
	case off == "at once":
		text += ", off at once after key-off"
	default:
		text += ", stays on " + off + " after key-off"
	}
	if s.OffInStart != nil && *s.OffInStart {
		text += ", off while cranking"
	}
	return cleanTo(text, 2*textMax)
}

// lastTime is one line of what was done on a model before.
type lastTime struct {
	Job        int64
	Path, Text string
}

// lastTimesMost is how many of them a page shows.
const lastTimesMost = 5

// lastTimes says what was fitted on a model in other jobs. It is never a reason not to
// measure.
func (d *dashboard) lastTimes(ctx context.Context, model string, except int64) (out []lastTime, err error) {
	found, err := d.o.Jobs.OnModel(ctx, model, except, lastTimesMost)
	if err != nil {
		return nil, err
	}
	for i := range found {
		f := &found[i]
		x := lastTime{Job: f.Job, Path: jobPath(f.Job), Text: placeOf(&f.Fitting)}
		if f.Cycle != (records.CycleRef{}) {
			c, err := d.o.Jobs.Cycle(ctx, f.Cycle.Bench, f.Cycle.ID)
			if err != nil {
				return nil, err
			}
			if does := slotDoes(c, f.Slot); does != "" {
				x.Text += ", " + does
			}
		}
		x.Text += " (" + clean(f.Accessory)
		if f.Year != 0 {
			x.Text += fmt.Sprintf(", model year %d", f.Year)
		}
		x.Text += ")"
		out = append(out, x)
	}
	return out, nil
}

// placeOf says where a fitting takes its feed.
func placeOf(f *records.Fitting) string {
	text := "slot " + clean(f.Slot)
	if f.FeedSide != "" {
		text += ", " + clean(f.FeedSide) + " side"
	}
	return text
}
