package dashboard

import (
	"errors"
	"fmt"
	"net/http"

	"keyturn/daemon/evidence"
	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// boxBody is the page of one test of a fuse box.
type boxBody struct {
	boxRow
	Outcome           mark // of all slots, OfTested of those that the bench can test
	Same              bool // those two are one
	Round             *roundView
	Sentences         []string
	Datum             string // how the box is held; empty: not known
	Grid              string // classes that lay the cells out as in the box; empty: they are a list
	Columns           string // the class for the box on paper
	Slots             []boxSlotView
	Cycles            []boxCycle
	Supersedes, After string // pages of the test before and of the one after, with their ids
	SupersedesID      string
	AfterID           string
	Others            []boxRow // by the same box file
	OthersPath        string
	Caution           string
	Origin            string
}

// boxSlotView is a slot of the box.
type boxSlotView struct {
	Key          string // of its line in the table
	Slot, Legend string
	mark
	Why     string // it was not tested
	Place   string // classes that put it where it sits in its box
	Rounds  string
	Reasons []string
}

// boxCycle is a key cycle that a test rests on; Path is empty where its name is none.
type boxCycle struct {
	Number   int
	ID, Path string
}

// othersMost is how many other tests by the same box file are named.
const othersMost = 5

func (d *dashboard) box(w http.ResponseWriter, r *http.Request) {
	v, _ := d.verdict(w, r)
	if v == nil {
		return
	}
	body, err := d.boxBody(r, v)
	if err != nil {
		d.failed(w, r, err)
		return
	}
	p := d.page("Test of box "+clean(v.Box), "boxes")
	if p.Body = body; !v.Final {
		p.Scripts = []string{"waiting.js"}
	}
	d.show(w, r, http.StatusOK, "box", p)
}

// verdict returns the test that an address names, and its document as it came, or says on
// a page why not and returns nil.
func (d *dashboard) verdict(w http.ResponseWriter, r *http.Request) (*protocol.Verdict, []byte) {
	bench, id := r.PathValue("bench"), r.PathValue("id")
	switch {
	case protocol.CheckID(bench) != nil || protocol.CheckID(id) != nil:
		d.sorry(w, r, http.StatusNotFound, "That is no name of a test.")
		return nil, nil
	case d.o.Jobs == nil:
		d.sorry(w, r, http.StatusNotFound, "This server keeps no records.")
		return nil, nil
	}
	v, payload, err := d.o.Jobs.VerdictPayload(r.Context(), bench, id)
	if errors.Is(err, records.ErrNoVerdict) {
		d.sorry(w, r, http.StatusNotFound, "The records have no such test of a fuse box. One comes when its first round is laid out.")
		return nil, nil
	}
	if err != nil {
		d.failed(w, r, err)
		return nil, nil
	}
	return v, payload
}

func (d *dashboard) boxBody(r *http.Request, v *protocol.Verdict) (boxBody, error) {
	x := evidence.Verdict(v)
	row, err := d.boxRow(r, v)
	if err != nil {
		return boxBody{}, err
	}
	b := boxBody{boxRow: row, Outcome: outcomeMark(x.Outcome), Same: x.Outcome == x.OfTested, Round: roundOf(v), Caution: report.ProveAgain(),
		Slots: boxSlots(v, &x), OthersPath: "/boxes?box=" + clean(v.Box)}
	for _, s := range x.Lines()[1:] { // the first says what stands large above them
		b.Sentences = append(b.Sentences, cleanTo(s, sentenceMax))
	}
	if v.Datum != "" {
		b.Datum = report.Datum(clean(string(v.Datum)))
	}
	b.Grid, b.Columns = placed(v.Slots, b.Slots)
	for i, id := range v.Cycles {
		c := boxCycle{Number: i + 1, ID: clean(id)}
		if protocol.CheckID(id) == nil {
			c.Path = "/cycle/" + clean(v.Bench) + "/" + id
		}
		b.Cycles = append(b.Cycles, c)
	}
	if before := string(v.Supersedes); before != "" {
		b.SupersedesID = clean(before)
		if protocol.CheckID(before) == nil {
			b.Supersedes = boxPath(v.Bench, before)
		}
	}
	b.Origin = fmt.Sprintf("Result %d of stream %s, revision %d. By the box file whose SHA-256 begins with %s.", v.Seq, clean(v.Stream), v.Revision, fours(v.BoxFileHash))
	ref, found, err := d.o.Jobs.SupersededBy(r.Context(), v.Bench, v.ID)
	if err != nil {
		return b, err
	}
	if found {
		b.After, b.AfterID = boxPath(ref.Bench, ref.ID), clean(ref.ID)
	}
	b.Others, err = d.others(r, v)
	return b, err
}

// others are the latest other tests by the same box file: a box that comes back is held to
// what was measured when it was sold.
func (d *dashboard) others(r *http.Request, v *protocol.Verdict) ([]boxRow, error) {
	all, err := d.o.Jobs.Verdicts(r.Context(), records.VerdictFilter{Box: v.Box, Limit: othersMost + 1})
	if err != nil {
		return nil, err
	}
	var out []boxRow
	for _, o := range all {
		if (o.Bench == v.Bench && o.ID == v.ID) || len(out) == othersMost {
			continue
		}
		row, err := d.boxRow(r, o)
		if err != nil {
			return nil, err
		}
		out = append(out, row)
	}
	return out, nil
}

// boxTestRef leads to a test of a box.
type boxTestRef struct{ ID, Path string }

// testsOfCycle are the tests of boxes that rest on a key cycle.
func (d *dashboard) testsOfCycle(r *http.Request, c *protocol.Cycle) ([]boxTestRef, error) {
	if d.o.Jobs == nil {
		return nil, nil
	}
	all, err := d.o.Jobs.TestsOfCycle(r.Context(), c.Bench, c.ID)
	var out []boxTestRef
	for _, ref := range all {
		out = append(out, boxTestRef{clean(ref.ID), boxPath(ref.Bench, ref.ID)})
	}
	return out, err
}

// boxSlots are the slots in words, as many as a page shows.
func boxSlots(v *protocol.Verdict, b *report.BoxVerdict) []boxSlotView {
	var out []boxSlotView
	for i := range b.Slots[:min(len(b.Slots), slotsMax)] {
		s := &b.Slots[i]
		x := boxSlotView{Key: fmt.Sprintf("slot-%d", i+1), Slot: clean(s.Slot), Legend: clean(b.Legends[s.Slot]), mark: outcomeMark(s.Outcome)}
		if !s.Tested() {
			x.mark, x.Why = mark{"untouched", report.Untested}, cleanTo(report.VerdictReason(&s.Reasons[0]), 2*textMax)
		}
		for _, text := range report.VerdictReasons(s) {
			x.Reasons = append(x.Reasons, cleanTo(text, 4*textMax))
		}
		x.Rounds = numbers(v.Slots[i].Rounds)
		out = append(out, x)
	}
	return out
}

// numbers lists numbers of rounds.
func numbers(rounds []int) string {
	text := ""
	for i, n := range rounds {
		if i > 0 {
			text += ", "
		}
		text += fmt.Sprint(n)
	}
	return text
}

// placed gives each slot its place in the box, and returns the classes that lay them out on
// a screen and on paper; both are empty where a slot has no place, two share one or the box
// is too large: then the slots are a list.
func placed(slots []protocol.SlotVerdict, views []boxSlotView) (screen, paper string) {
	columns, taken := 0, map[protocol.Place]bool{}
	for i := range slots {
		p := slots[i].Place
		if p == nil || p.Row < 1 || p.Row > rowsMost || p.Column < 1 || p.Column > columnsMost || taken[*p] || i >= len(views) {
			return "", ""
		}
		taken[*p], columns = true, max(columns, p.Column)
	}
	if columns == 0 {
		return "", ""
	}
	for i := range slots {
		views[i].Place = fmt.Sprintf(" r%d c%d", slots[i].Place.Row, slots[i].Place.Column)
	}
	return fmt.Sprintf(" placed n%d %s", columns, width(columns)), fmt.Sprintf(" n%d", columns)
}
