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
	"keyturn/daemon/records"
	"keyturn/protocol"
)

// boxes are the commands about box files.
type boxes struct {
	Validate boxValidate `cmd:"" help:"Check box files: every fault with its line, and what a draft still lacks."`
	Draft    boxDraft    `cmd:"" help:"Write a draft of a box file from what one key cycle showed, for a person to finish and sign."`
}

// boxValidate checks box files.
type boxValidate struct {
	Files []string `arg:"" name:"file" help:"Box files." type:"existingfile"`
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
		case len(open) == 0:
			fmt.Fprintf(w, "%s: a draft that lacks nothing: remove the line draft, and sign it with signed_by and signed_on\n", name)
		default:
			fmt.Fprintf(w, "%s: a draft, which no bench takes yet; it lacks\n%s", name, together(open))
		}
	}
	return faulty
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
	Document string `arg:"" optional:"" name:"file" help:"A key cycle document as JSON; - for standard input. Or name one in the records:" placeholder:"FILE"`
	Records  string `help:"The records: a file, or postgres://user@host/database." placeholder:"FILE" and:"cycle"`
	Bench    string `help:"The bench that measured it." and:"cycle"`
	Cycle    string `help:"The id of the key cycle." and:"cycle"`
	ID       string `name:"id" help:"Id of the box; a-z, 0-9 and -." default:"draft"`
}

// Run writes to standard output.
func (c *boxDraft) Run(ctx context.Context) error { return c.write(ctx, os.Stdout) }

func (c *boxDraft) write(ctx context.Context, w io.Writer) error {
	y, err := c.cycle(ctx)
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

// cycle reads the key cycle that is meant.
func (c *boxDraft) cycle(ctx context.Context) (*protocol.Cycle, error) {
	switch {
	case (c.Document == "") == (c.Records == ""):
		return nil, errors.New("name one key cycle: a file, - for standard input, or --records with --bench and --cycle")
	case c.Records != "":
		return c.kept(ctx)
	case c.Document == "-":
		return readCycle(os.Stdin)
	}
	f, err := os.Open(c.Document)
	if err != nil {
		return nil, fmt.Errorf("read the key cycle: %w", err)
	}
	defer f.Close()
	return readCycle(f)
}

func (c *boxDraft) kept(ctx context.Context) (y *protocol.Cycle, err error) {
	s, err := records.Open(ctx, records.Options{URL: c.Records, MustExist: true})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	return s.Cycle(ctx, c.Bench, c.Cycle)
}

// readCycle reads one key cycle document.
func readCycle(r io.Reader) (*protocol.Cycle, error) {
	text, err := io.ReadAll(io.LimitReader(r, protocol.MaxDocumentBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read the key cycle: %w", err)
	}
	d, err := protocol.Decode(text)
	if err != nil {
		return nil, fmt.Errorf("read the key cycle: %w; keyturn demo --json writes one", err)
	}
	y, ok := d.(*protocol.Cycle)
	if !ok {
		return nil, fmt.Errorf("%T is no key cycle: give the document of result/cycle", d)
	}
	return y, nil
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
