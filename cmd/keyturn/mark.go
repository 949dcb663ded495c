package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"

	"keyturn/daemon/config"
	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// exerciseMark marks answers.
type exerciseMark struct {
	File     string `arg:"" name:"exercise" help:"The exercise file." type:"existingfile"`
	oneCycle `embed:""`
	Answer   map[string]string `help:"The answer of a question, as it was written; a question without one is blank." mapsep:"none" placeholder:"QUESTION=TEXT"`
	Hint     map[string]int    `help:"How many hints of a question were taken." placeholder:"QUESTION=N"`
	Meter    string            `help:"Which of the exercise's meters was used." placeholder:"ID"`
	Load     map[string]string `help:"What the circuit of a slot draws, as for keyturn feed." placeholder:"SLOT=A"`
}

// Run prints the marks.
func (c *exerciseMark) Run(ctx context.Context) error {
	return c.print(ctx, os.Stdout, terminalWidth(os.Stdout))
}

func (c *exerciseMark) print(ctx context.Context, w io.Writer, width int) error {
	e, box, err := readExercise(c.File)
	if err != nil {
		return err
	}
	y, err := c.read(ctx)
	if err != nil {
		return err
	}
	loads, err := readLoads(c.Load, &box)
	if err != nil {
		return err
	}
	questions := evidence.Questions(&e, &box)
	sheet, err := c.sheet(&e, questions)
	if err != nil {
		return err
	}
	sheet.OnVehicle = y.Subject == protocol.Vehicle
	marks := judge.MarkSheet(questions, evidence.Found(y, &box, &e, loads), sheet)
	fmt.Fprintf(w, "%s\n%s\n", e.Title, report.MarksTotal(&marks))
	for i := range marks.Marks {
		c.one(w, width, &e.Questions[i], &questions[i], &marks.Marks[i])
	}
	return nil
}

// one prints how one answer did.
func (c *exerciseMark) one(w io.Writer, width int, asked *config.Question, q *judge.Question, m *judge.Mark) {
	words := asked.Text
	if words == "" {
		words = report.Question(q)
	}
	said := c.Answer[q.ID]
	if said == "" {
		said = "nothing"
	}
	text := report.Mark(m)
	fmt.Fprintf(w, "\n%s\n", report.Wrap(q.ID+": "+words, width, "  "))
	lines := []string{"said: " + said, text.Marks + ": " + text.Reason}
	if text.Rule != "" {
		lines = append(lines, "rule: "+text.Rule)
	}
	if text.Next != "" {
		lines = append(lines, "next time: "+text.Next)
	}
	for _, l := range lines {
		fmt.Fprintln(w, "  "+report.Wrap(l, width-2, "    "))
	}
}

// sheet reads what was written. The error asks back for every answer that is not clear:
// nothing is marked on a guess.
func (c *exerciseMark) sheet(e *config.Exercise, questions []judge.Question) (*judge.AnswerSheet, error) {
	var faults []error
	out := &judge.AnswerSheet{}
	if c.Meter != "" {
		k := slices.IndexFunc(e.Meters, func(m config.HandMeter) bool { return m.ID == c.Meter })
		if k < 0 {
			return nil, fmt.Errorf("--meter %s: exercise %s has no such meter", c.Meter, e.ID)
		}
		out.Meter = evidence.Meter(&e.Meters[k])
	}
	for _, id := range slices.Sorted(maps.Keys(c.Answer)) {
		k := slices.IndexFunc(questions, func(q judge.Question) bool { return q.ID == id })
		if k < 0 {
			faults = append(faults, fmt.Errorf("--answer %s: exercise %s has no such question", id, e.ID))
			continue
		}
		said, err := questions[k].Read(c.Answer[id])
		if err != nil {
			faults = append(faults, fmt.Errorf("--answer %s: %w", id, err))
		}
		out.Given = append(out.Given, judge.Given{Question: id, Said: said, Hints: c.Hint[id]})
	}
	for _, id := range slices.Sorted(maps.Keys(c.Hint)) {
		if _, answered := c.Answer[id]; !answered || c.Hint[id] < 0 {
			faults = append(faults, fmt.Errorf("--hint %s=%d: want a number from 0, of a question that is answered", id, c.Hint[id]))
		}
	}
	return out, errors.Join(faults...)
}
