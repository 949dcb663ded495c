package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"keyturn/cmd/internal/parts"
	"keyturn/daemon/config"
	"keyturn/daemon/dashboard"
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
	if box, _, err = parts.ReadBox(boxOf(name, &e)); err != nil {
		return e, box, err
	}
	if err := e.Fit(text, &box); err != nil {
		return e, box, fmt.Errorf("exercise file %s:\n%w", name, err)
	}
	return e, box, nil
}

// boxOf is where the box file of an exercise file is.
func boxOf(name string, e *config.Exercise) string {
	if filepath.IsAbs(e.BoxFile) {
		return e.BoxFile
	}
	return filepath.Join(filepath.Dir(name), e.BoxFile)
}

// readExercises reads the exercise files of a folder, the easiest first; none where no
// folder was named.
func readExercises(folder string) (out []dashboard.Exercise, err error) {
	if folder == "" {
		return nil, nil
	}
	names, err := filepath.Glob(filepath.Join(folder, "*.toml"))
	if err != nil || len(names) == 0 {
		return nil, fmt.Errorf("read the exercises: no exercise file, *.toml, in %s", folder)
	}
	grades := map[string]int{}
	for _, name := range names {
		e, _, err := readExercise(name)
		if err != nil {
			return nil, err
		}
		grades[name] = e.Grade
	}
	slices.SortStableFunc(names, func(a, b string) int { return grades[a] - grades[b] })
	for _, name := range names {
		x, err := exerciseTexts(name)
		if err != nil {
			return nil, err
		}
		out = append(out, x)
	}
	return out, nil
}

// exerciseTexts are an exercise file and its box file as they are.
func exerciseTexts(name string) (x dashboard.Exercise, err error) {
	if x.Text, err = os.ReadFile(name); err != nil {
		return x, fmt.Errorf("read the exercise file: %w", err)
	}
	e, err := config.ParseExercise(x.Text)
	if err != nil {
		return x, fmt.Errorf("exercise file %s:\n%w", name, err)
	}
	if x.Box, err = os.ReadFile(boxOf(name, &e)); err != nil {
		return x, fmt.Errorf("read the box file: %w", err)
	}
	return x, nil
}
