package dashboard

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"strings"

	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// sentenceMax is how long a sentence of the report may be: an order of all slots.
const sentenceMax = 4000

// cycleBody is the page of one key cycle.
type cycleBody struct {
	Bench, ID, When, Subject string
	Status                   string
	Revision                 int
	Open                     bool
	Sentences                []string
	Picture                  template.HTML
	Rows                     []report.Row
	Edges                    []edgeRow
	EdgesLeft                int // more than are shown
	Starts                   []startRow
	Wakes                    []report.Wake
	WakesLeft                int // more than are shown
	Notes                    []noteRow
	Origin                   string
	Compare, Sheet           string // addresses: of what to compare it with, of its test sheet
	Jobs                     *cycleJobs
	Tests                    []boxTestRef // that rest on it
}

// edgeRow is a transition in figures.
type edgeRow struct{ Slot, Lead, Word, At, Within, By string }

// startRow is how a lead took a start.
type startRow struct {
	Where, Before, Lowest, Plateau, Recovered string
	Below                                     []string
}

type noteRow struct{ At, Text, From string }

// edgesMax is how many transitions a page lists.
const edgesMax = 1000

func (d *dashboard) cycle(w http.ResponseWriter, r *http.Request) {
	c := d.stored(w, r, r.PathValue("bench"), r.PathValue("id"))
	if c == nil {
		return
	}
	p := d.page("Key cycle "+clean(c.ID), "history")
	body := d.cycleBody(c)
	var err error
	if body.Jobs, err = d.jobsOfCycle(r, c); err != nil {
		d.failed(w, r, err)
		return
	}
	if body.Tests, err = d.testsOfCycle(r, c); err != nil {
		d.failed(w, r, err)
		return
	}
	p.Body = body
	if !c.Final {
		// What the page shows may be older than what was heard: everything is asked for.
		p.Live = "/events?bench=" + c.Bench
	}
	d.show(w, r, http.StatusOK, "cycle", p)
}

// stored returns a key cycle, or says on a page why not and returns nil.
func (d *dashboard) stored(w http.ResponseWriter, r *http.Request, bench, id string) *protocol.Cycle {
	if protocol.CheckID(bench) != nil || protocol.CheckID(id) != nil {
		d.sorry(w, r, http.StatusNotFound, "That is no key cycle's name.")
		return nil
	}
	if d.o.Records == nil {
		d.sorry(w, r, http.StatusNotFound, "This server keeps no records.")
		return nil
	}
	c, err := d.o.Records.Cycle(r.Context(), bench, id)
	if errors.Is(err, records.ErrNone) {
		d.sorry(w, r, http.StatusNotFound, "The records have no such key cycle. One that is still open comes when it is measured.")
		return nil
	}
	if err != nil {
		d.failed(w, r, err)
		return nil
	}
	return c
}

// failed says that the records did not answer; why is for the log.
func (d *dashboard) failed(w http.ResponseWriter, r *http.Request, err error) {
	d.o.Logger.Error("the records do not answer", "err", err)
	d.sorry(w, r, http.StatusServiceUnavailable, "The records do not answer at present; the server's log says why.")
}

func (d *dashboard) cycleBody(c *protocol.Cycle) cycleBody {
	b := cycleBody{Bench: clean(c.Bench), ID: clean(c.ID), When: madeAt(c.Wall, d.o.Zone), Subject: clean(string(c.Subject)), Status: status(c), Revision: c.Revision, Open: !c.Final}
	b.Sentences = append(b.Sentences, tally(c))
	for _, s := range report.Sentences(c) {
		b.Sentences = append(b.Sentences, cleanTo(s, sentenceMax))
	}
	b.Picture = drawn(c)
	b.Compare, b.Sheet = compareURL(c, nil), "/sheet/"+clean(c.Bench)+"/"+clean(c.ID)
	b.Rows = cleanRows(report.Rows(c))
	b.edges(c)
	b.starts(c)
	b.wakes(c)
	for _, n := range c.Notes {
		b.Notes = append(b.Notes, noteRow{since(c, n.AtNS), cleanTo(n.Text, protocol.NoteMax), clean(report.Source(n.Source))})
	}
	b.Origin = fmt.Sprintf("Result %d of stream %s, revision %d, by the bench as described in %s.", c.Seq, clean(c.Stream), c.Revision, clean(c.BenchRev))
	return b
}

// cleanRows cleans the report's rows: their texts may hold words of the bench's own.
func cleanRows(rows []report.Row) []report.Row {
	for i := range rows {
		x := &rows[i]
		for _, s := range []*string{&x.Slot, &x.Legend, &x.What, &x.OnAfter, &x.OffAfter, &x.Lowest} {
			*s = cleanTo(*s, 2*textMax)
		}
		for k := range x.Remarks {
			x.Remarks[k] = cleanTo(x.Remarks[k], 2*textMax)
		}
	}
	return rows
}

// status says how sure it is that nothing more comes.
func status(c *protocol.Cycle) string {
	switch {
	case !c.Final:
		return "provisional: the key cycle is still open"
	case c.Ended == protocol.EndedSettled:
		return "final: every slot settled"
	case c.Ended == protocol.EndedWatch:
		return "final: the watch after key-off was over"
	case c.Ended == protocol.EndedNext:
		return "final: the next key cycle began"
	case c.Ended == protocol.EndedInterrupted:
		return "interrupted: the bench restarted"
	}
	return "final: " + clean(string(c.Ended))
}

// tally says a key cycle in one sentence or two.
func tally(c *protocol.Cycle) string {
	text := "The key: " + report.Key(c) + "."
	if len(c.Key) == 0 {
		text = "No turn of the key was seen."
	}
	return cleanTo(text, sentenceMax) + " " + cleanTo(report.Tally(c), sentenceMax)
}

// since is a time from the first move of the key, as the report has it.
func since(c *protocol.Cycle, at int64) string {
	zero := c.MonoNS
	if len(c.Key) > 0 {
		zero = c.Key[0].AtNS
	}
	return fmt.Sprintf("%.4f s", float64(at-zero)*1e-9)
}

func (b *cycleBody) edges(c *protocol.Cycle) {
	for i := range c.Slots {
		s := &c.Slots[i]
		for _, l := range s.Leads {
			for _, t := range l.Transitions {
				if len(b.Edges) == edgesMax {
					b.EdgesLeft++
					continue
				}
				by := "the lead's curve"
				if t.Timing != protocol.TimingCurve {
					by = "the middle of the bracket"
				}
				b.Edges = append(b.Edges, edgeRow{clean(s.Slot), strings.TrimSpace(clean(l.Lead) + " " + clean(string(l.Side))), clean(report.State(t.State)),
					fmt.Sprintf("%s ± %.2f ms", since(c, t.AtNS), 2e-3*float64(t.UUS)),
					fmt.Sprintf("%s to %s", since(c, t.NotBeforeNS), since(c, t.NotAfterNS)), by})
			}
			b.EdgesLeft += max(0, l.LeftOut)
		}
	}
}

func (b *cycleBody) starts(c *protocol.Cycle) {
	add := func(where string, l *protocol.CycleLead) {
		for _, k := range l.Crank {
			row := startRow{Where: where}
			if k.Sag == nil {
				row.Lowest = "not measured: " + clean(string(k.NotMeasured))
				b.Starts = append(b.Starts, row)
				continue
			}
			row.Before = fmt.Sprintf("%.2f V", float64(k.BeforeV))
			row.Lowest = fmt.Sprintf("%.2f ± %.2f V", float64(k.MinV), 2*float64(k.MinUV))
			if k.AtOrBelow {
				row.Lowest = fmt.Sprintf("at or below %.1f V", float64(k.MinV))
			}
			row.Plateau = fmt.Sprintf("%.2f ± %.2f V", float64(k.PlateauV), 2*float64(k.LevelUV))
			row.Recovered = "not seen"
			if k.RecoveredMS != nil {
				row.Recovered = report.Seconds(float64(*k.RecoveredMS) * 1e-3)
			}
			for _, x := range k.Below {
				if x.MS > 0 {
					row.Below = append(row.Below, fmt.Sprintf("%.1f V: %s", float64(x.V), report.Seconds(float64(x.MS)*1e-3)))
				}
			}
			b.Starts = append(b.Starts, row)
		}
	}
	if c.Battery != nil {
		add("battery", c.Battery)
	}
	for i := range c.Slots {
		for k := range c.Slots[i].Leads {
			l := &c.Slots[i].Leads[k]
			add(strings.TrimSpace(clean(c.Slots[i].Slot)+" "+clean(string(l.Side))), l)
		}
	}
}

// wakesMax is how many wakes a page shows: as many as a bench tells.
const wakesMax = 64

// wakes lists what woke the vehicle after key-off.
func (b *cycleBody) wakes(c *protocol.Cycle) {
	if b.Wakes = report.Wakes(c); len(b.Wakes) == 0 {
		return
	}
	shown := min(len(b.Wakes), wakesMax)
	b.WakesLeft = len(b.Wakes) - shown + max(0, c.Quiescent.LeftOut)
	b.Wakes = b.Wakes[:shown]
	for i := range b.Wakes {
		b.Wakes[i].With = cleanTo(b.Wakes[i].With, 2*textMax)
	}
}
