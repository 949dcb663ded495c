package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"keyturn/cmd/internal/parts"
	"keyturn/daemon/config"
)

// exercises are the commands about exercise files.
type exercises struct {
	Validate exerciseValidate `cmd:"" help:"Check exercise files against their box files: every fault with its line."`
	Mark     exerciseMark     `cmd:"" help:"Mark one apprentice's answers against the key cycle that was measured afterwards, and say why."`
}

// exerciseValidate checks exercise files.
type exerciseValidate struct {
	Files []string `arg:"" name:"file" help:"Exercise files." type:"existingfile"`
	Bench string   `help:"A bench file too: what its leads lack for the exercises." type:"existingfile" placeholder:"FILE"`
}

// errUnfit says that a file has faults or a bench lacks something, which was printed.
var errUnfit = errors.New("not every exercise is all right")

// Run checks them all.
func (c *exerciseValidate) Run() error { return c.check(os.Stdout) }

// check writes a line or more for each file.
func (c *exerciseValidate) check(w io.Writer) error {
	var bench *config.Bench
	if c.Bench != "" {
		f, err := parts.Read(c.Bench)
		if err != nil && !errors.Is(err, config.ErrMoved) {
			return err
		}
		bench = &f.Read
	}
	var unfit error
	for _, name := range c.Files {
		e, box, err := readExercise(name)
		if err != nil {
			fmt.Fprintln(w, err)
			unfit = errUnfit
			continue
		}
		fmt.Fprintf(w, "%s: exercise %s, grade %d, %d questions for %g marks, on box %s: all right\n", name, e.ID, e.Grade, len(e.Questions), e.Marks(), box.ID)
		for i := range e.Faults {
			p := &e.Faults[i]
			if worst, rule := p.WorstW(&box); worst > 0 {
				fmt.Fprintf(w, "  planted in %s: %s through %g ohm of %g W; at most %.3g W, %s\n", p.Slot, p.Kind, p.Ohm, p.Watts, worst, rule)
			} else {
				fmt.Fprintf(w, "  planted in %s: %s\n", p.Slot, p.Kind)
			}
		}
		if bench == nil {
			continue
		}
		for _, lack := range e.FitBench(bench, &box) {
			fmt.Fprintf(w, "  bench %s: %s\n", bench.ID, lack)
			unfit = errUnfit
		}
	}
	return unfit
}

// readExercise reads an exercise file and the box file that it names, and holds the one
// to the other.
func readExercise(name string) (e config.Exercise, box config.Box, err error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return e, box, fmt.Errorf("read the exercise file: %w", err)
	}
	if e, err = config.ParseExercise(text); err != nil {
		return e, box, fmt.Errorf("exercise file %s:\n%w", name, err)
	}
	file := e.BoxFile
	if !filepath.IsAbs(file) {
		file = filepath.Join(filepath.Dir(name), file)
	}
	if box, _, err = parts.ReadBox(file); err != nil {
		return e, box, err
	}
	if err := e.Fit(text, &box); err != nil {
		return e, box, fmt.Errorf("exercise file %s:\n%w", name, err)
	}
	return e, box, nil
}
