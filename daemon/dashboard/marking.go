package dashboard

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"keyturn/daemon/config"
	"keyturn/daemon/dashboard/picture"
	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// markDue marks the answer sheets whose key cycle is final, for who looks. What fails is
// tried at the next look.
func (d *dashboard) markDue(ctx context.Context) {
	failed, err := markDue(ctx, d.o.Jobs)
	if err != nil {
		d.o.Logger.Error("the answers that wait for marks could not be read", "err", err)
	}
	for sheet, err := range failed { // each by itself
		d.o.Logger.Error("answers could not be marked", "sheet", sheet, "err", err)
	}
}

// markDue marks the answer sheets whose key cycle is final. failed says why one could not
// be marked; one that was not measured yet has not failed.
func markDue(ctx context.Context, s *records.Store) (failed map[string]error, err error) {
	due, err := s.Unmarked(ctx)
	for i := range due {
		err := markSheet(ctx, s, &due[i])
		// Not measured yet, or another look has just marked it.
		if err != nil && !errors.Is(err, records.ErrNone) && !errors.Is(err, records.ErrNoSheet) {
			if failed == nil {
				failed = map[string]error{}
			}
			failed[due[i].ID] = err
		}
	}
	return failed, err
}

// markSheet marks one answer sheet, if its key cycle is final.
func markSheet(ctx context.Context, s *records.Store, sheet *records.AnswerSheet) error {
	x, err := s.Sitting(ctx, sheet.Sitting)
	if err != nil {
		return err
	}
	if sheet.Cycle, err = s.CycleAfter(ctx, x.Bench, sheet.HandedIn); err != nil {
		return err
	}
	c, err := s.Cycle(ctx, sheet.Cycle.Bench, sheet.Cycle.ID)
	if err != nil || !c.Final {
		return err
	}
	e, err := readExercise(Exercise{[]byte(x.Text), []byte(x.Box)})
	if err != nil {
		return err
	}
	m := e.marks(sheet, c)
	sheet.Got, sheet.Of, sheet.NotMarked = m.Got, m.Of, m.NotMarked
	return s.Mark(ctx, *sheet, e.marksDocument(sheet, c, &m))
}

// marks are those of an answer sheet by a key cycle. What was handed in could be read.
func (e *exercise) marks(sheet *records.AnswerSheet, c *protocol.Cycle) judge.Marks {
	questions := e.questions()
	given := &judge.AnswerSheet{OnVehicle: c.Subject == protocol.Vehicle}
	if k := slices.IndexFunc(e.file.Meters, func(m config.HandMeter) bool { return m.ID == sheet.Meter }); k >= 0 {
		given.Meter = evidence.Meter(&e.file.Meters[k])
	}
	for i := range questions {
		x := sheet.Answer(questions[i].ID)
		said, err := questions[i].Read(x.Text)
		if err != nil {
			said = judge.Said{Blank: true}
		}
		given.Given = append(given.Given, judge.Given{Question: x.Question, Said: said, Hints: x.Hints})
	}
	return judge.MarkSheet(questions, evidence.Found(c, &e.box, &e.file, nil), given)
}

// marked shows what was found beside what was answered.
func (d *dashboard) marked(r *http.Request, a *asked, b *answersBody) error {
	c, err := d.o.Jobs.Cycle(r.Context(), a.sheet.Cycle.Bench, a.sheet.Cycle.ID)
	if err != nil {
		return err
	}
	m := a.marks(&a.sheet, c)
	v := &markedView{Total: report.MarksTotal(&m), When: madeAt(c.Wall, d.o.Zone)}
	v.Facts = []fact{
		{"Name", b.Name}, {"Handed in", moment(a.sheet.HandedIn.In(d.o.Zone))}, {"Exercise", clean(a.file.ID) + ", attempt " + strconv.FormatInt(a.sheet.Attempt, 10)},
		{"Marks", v.Total}, {"Bench", b.Bench + ", key cycle " + clean(c.ID) + ", " + v.When},
	}
	if b.MeterName != "" {
		v.Facts = append(v.Facts, fact{"Meter", b.MeterName})
	}
	for i := range m.Marks {
		q, x := &b.Questions[i], &m.Marks[i]
		q.Mark, q.Shape = report.Mark(x), string(x.Result)
		v.Danger = v.Danger || x.Danger
	}
	shown := onlySlots(c, a.slots())
	v.Rows, v.Fall = cleanRows(report.Rows(shown)), fallUnmeasured(c)
	v.Cranked = slices.ContainsFunc(v.Rows, func(r report.Row) bool { return r.Lowest != "" })
	with, undrawn := a.withAnswers(shown)
	v.Undrawn = undrawn
	if a.asksOfStarts() && v.Fall == "" {
		v.Picture = drawnWith(with, shown)
	} else {
		v.Picture = bothWidths(func(b *strings.Builder, o picture.Options) {
			o.WithoutStarts, o.Told = true, shown
			b.Write(picture.Cycle(with, o))
		})
	}
	if b.Teacher {
		v.Cycle = "/cycle/" + clean(c.Bench) + "/" + clean(c.ID)
	}
	b.Marked = v
	return nil
}

// slots are those that are asked of.
func (e *exercise) slots() (out []string) {
	for i := range e.file.Questions {
		q := &e.file.Questions[i]
		out = append(append(out, q.Slots...), q.Slot)
	}
	return out
}

// onlySlots is a key cycle with some of its slots: what another exercise asks of is not
// told by the way.
func onlySlots(c *protocol.Cycle, slots []string) *protocol.Cycle {
	out := *c
	out.Slots = nil
	for i := range c.Slots {
		if slices.Contains(slots, c.Slots[i].Slot) {
			out.Slots = append(out.Slots, c.Slots[i])
		}
	}
	return &out
}
