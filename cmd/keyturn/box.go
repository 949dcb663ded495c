package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"keyturn/cmd/internal/parts"
	"keyturn/daemon/config"
	"keyturn/protocol"
)

// boxes are the commands about box files.
type boxes struct {
	Validate boxValidate `cmd:"" help:"Check box files: every fault with its line, and what a draft still lacks."`
	Test     boxTest     `cmd:"" help:"Test a fuse box on a bench supply, in rounds where it has more slots than the bench has places: from the first lead to the verdict."`
	Draft    boxDraft    `cmd:"" help:"Write a draft of a box file from what one key cycle showed, for a person to finish and sign."`
}

// boxValidate checks box files.
type boxValidate struct {
	Files []string `arg:"" name:"file" help:"Box files."`
}

// errFaulty says that a file has faults, which were printed.
var errFaulty = errors.New("not every box file is all right")

// Run checks them all.
func (c *boxValidate) Run() error { return c.check(os.Stdout) }

// check writes a line or more for each file.
func (c *boxValidate) check(w io.Writer) error {
	var faulty error
	for _, name := range c.Files {
		b, open, err := parts.ReadBox(name)
		switch {
		case err != nil:
			fmt.Fprintln(w, err)
			faulty = errFaulty
		case !b.Draft:
			fmt.Fprintf(w, "%s: box %s, %d slots in %d rows of %d, signed by %s on %s: all right\n", name, b.ID, len(b.Slots), b.Rows, b.Columns, b.SignedBy, b.SignedOn)
			for _, n := range b.Notes() {
				fmt.Fprintln(w, "note:", n)
			}
		case len(open) == 0:
			fmt.Fprintf(w, "%s: a draft that lacks nothing: remove the line draft, and sign it with signed_by and signed_on\n", name)
		default:
			fmt.Fprintf(w, "%s: a draft, which no bench takes yet; it lacks\n%s", name, together(open))
		}
	}
	return faulty
}

// finishedBox reads a box file that somebody has signed, for it must say what is asked.
func finishedBox(name, asked string) (config.Box, error) {
	b, open, err := parts.ReadBox(name)
	if err == nil && b.Draft {
		err = fmt.Errorf("box file %s is a draft that lacks %d things: finish and sign it, for it must say %s", name, len(open), asked)
	}
	return b, err
}

// together lists what many slots lack once, with every line.
func together(open config.Faults) string {
	lines, whats := map[string][]string{}, []string{}
	for _, x := range open {
		if lines[x.What] == nil {
			whats = append(whats, x.What)
		}
		lines[x.What] = append(lines[x.What], fmt.Sprint(x.Line))
	}
	var out strings.Builder
	for _, what := range whats {
		word := "line"
		if len(lines[what]) > 1 {
			word = "lines"
		}
		fmt.Fprintf(&out, "%s %s: %s\n", word, strings.Join(lines[what], ", "), what)
	}
	return out.String()
}

// boxDraft writes a draft of a box file.
type boxDraft struct {
	oneCycle `embed:""`
	ID       string `name:"id" help:"Id of the box; a-z, 0-9 and -." default:"draft"`
}

// Run writes to standard output.
func (c *boxDraft) Run(ctx context.Context) error { return c.write(ctx, os.Stdout) }

func (c *boxDraft) write(ctx context.Context, w io.Writer) error {
	y, err := c.read(ctx)
	if err != nil {
		return err
	}
	text, err := config.DraftBox(c.ID, fmt.Sprintf("key cycle %s, revision %d, of bench %s", y.ID, y.Revision, y.Bench), measuredOf(y))
	if err != nil {
		return err
	}
	_, err = w.Write(text)
	return err
}

// measuredOf is what a key cycle showed of each slot.
func measuredOf(y *protocol.Cycle) (slots []config.Measured) {
	for i := range y.Slots {
		s := &y.Slots[i]
		m := config.Measured{Slot: s.Slot, Legend: string(s.Legend), Behaviour: string(s.Behaviour), StaysOnS: (*float64)(s.StaysOnS),
			StaysOnOpen: s.StaysOnOpen, OffInStart: s.OffInStart, Fuse: string(s.Fuse)}
		if s.StaysOnUMS != nil {
			m.UStaysOnS = float64(*s.StaysOnUMS) / 1e3
		}
		for _, p := range s.Possible {
			m.Possible = append(m.Possible, string(p))
		}
		slots = append(slots, m)
	}
	return slots
}
