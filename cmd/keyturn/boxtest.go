package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"keyturn/cmd/internal/attend"
	"keyturn/daemon/config"
	"keyturn/daemon/drive"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// boxTest tests a fuse box in rounds, from the first lead to the verdict.
type boxTest struct {
	Box string `arg:"" name:"box-file" help:"The box file: what each slot should do." type:"existingfile"`
	benchFlags
	Keep string `help:"Folder for the key cycles of the rounds and the verdict; where a test was begun, it goes on." placeholder:"FOLDER"`
	// What is tested.
	Only  []string `help:"Test only these slots." placeholder:"SLOT" xor:"slots"`
	Again string   `help:"Test again what did not pass in the test of this folder." type:"existingdir" placeholder:"FOLDER" xor:"slots"`
	Crank string   `name:"crank-source" help:"What pulls the supply down in a start: supply-dip, or contact-only where nothing does." enum:"supply-dip,contact-only" default:"contact-only"`
	limitFlags
	Job    string `help:"Number of the job in the records that the box is of." placeholder:"NUMBER"`
	Fast   bool   `help:"With --practice: on simulated time."`
	Seed   uint64 `help:"With --practice: another box, with other faults planted."`
	Listen string `help:"With --practice: loopback address of the pages; without it a free port, and none with --fast." placeholder:"ADDRESS"`
}

// Run tests at the terminal.
func (c *boxTest) Run(ctx context.Context) error {
	if !c.Practice && c.Config == "" {
		return errWhichBench
	}
	return c.test(ctx, os.Stdin, os.Stdout, terminalWidth(os.Stdout))
}

func (c *boxTest) test(ctx context.Context, in io.Reader, out io.Writer, width int) (err error) {
	if (c.Fast || c.Listen != "") && !c.Practice {
		return errors.New("--fast and --listen are for --practice: a real key takes its time, and the shop's dashboard shows a real bench")
	}
	box, hash, err := readHashedBox(c.Box)
	if err != nil {
		return err
	}
	b, err := c.open(&box)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	return c.on(ctx, b, &box, hash, in, out, width)
}

// on tests a box on a bench.
func (c *boxTest) on(ctx context.Context, b testBench, box *config.Box, hash string, in io.Reader, out io.Writer, width int) error {
	limits, err := c.limits()
	if err != nil {
		return err
	}
	t := &boxTesting{bench: b.file(), box: box, limits: limits, out: out, width: width, typed: attend.Typed(in), source: drive.ContactOnly,
		doc: protocol.Verdict{BoxFileHash: hash, Job: protocol.OrNull(c.Job)}}
	if c.Crank == string(protocol.CrankSupplyDip) {
		t.source = drive.SupplyDip
	}
	only, sound, err := c.which(t)
	if err != nil {
		return err
	}
	t.only = only
	if t.rounds, err = t.bench.Rounds(box, only, sound); err != nil {
		return err
	}
	t.planned = len(t.rounds)
	t.leaveOut()
	if t.folder, err = openTestFolder(c.Keep, t); err != nil {
		return err
	}
	address, err := b.pages(ctx, t.folder.name)
	if err != nil {
		return err
	}
	if address != "" {
		fmt.Fprintf(out, "Follow it at %sboxes/%s/%s\n\n", address, t.bench.ID, t.doc.ID)
	}
	if c.Job != "" && string(t.doc.Job) != c.Job {
		return fmt.Errorf("the test in %s is of job %q: go on with that, or name another folder", t.folder.name, string(t.doc.Job))
	}
	switch err := t.run(ctx, b); {
	case errors.Is(err, errEnded):
		fmt.Fprintln(out, "Ended. "+t.kept())
		return nil
	case err != nil && len(t.cycles) > 0:
		return fmt.Errorf("%w; %s", err, t.kept())
	case err != nil:
		return err
	}
	if err := b.farewell(out); err != nil || address == "" {
		return err
	}
	fmt.Fprint(out, "The pages stay until you press Enter: ")
	if _, err := t.line(ctx); err != nil && !errors.Is(err, errEnded) {
		return err
	}
	return nil
}

// which are the slots to be tested, none for all, and those that are known to be sound. The
// test that is superseded is noted.
func (c *boxTest) which(t *boxTesting) (only, sound []string, err error) {
	if c.Again == "" {
		return c.Only, nil, nil
	}
	if filepath.Clean(c.Again) == filepath.Clean(c.Keep) {
		return nil, nil, fmt.Errorf("%s is the folder of the test that is to be done again: name another one with --keep", c.Keep)
	}
	earlier, err := readKeptVerdict(c.Again)
	if err != nil {
		return nil, nil, err
	}
	plan, err := readPlan(c.Again)
	if err != nil {
		return nil, nil, err
	}
	if !earlier.Final {
		return nil, nil, fmt.Errorf("the test in %s is not over: go on with it first, by --keep %s", c.Again, c.Again)
	}
	if then, now := plan.Limits, t.limits; !then.Same(&now) {
		return nil, nil, fmt.Errorf("the test in %s was held to other limits (%+v): give the same, or test the whole box", c.Again, then)
	}
	if earlier.BoxFileHash != t.doc.BoxFileHash {
		return nil, nil, fmt.Errorf("%s is of another box file than %s, or it was changed since: test the whole box", c.Again, c.Box)
	}
	for _, s := range earlier.Slots {
		switch {
		case s.Outcome == protocol.OutcomePass:
			sound = append(sound, s.Slot)
		case len(s.Rounds) > 0:
			only = append(only, s.Slot)
		}
	}
	if len(only) == 0 {
		return nil, nil, fmt.Errorf("%s: every slot that was measured passed; there is nothing to test again", c.Again)
	}
	t.doc.Supersedes, t.earlier = protocol.OrNull(earlier.ID), earlier
	return only, sound, nil
}

// leaveOut leaves out of the test what the bench cannot do; the verdict says so.
func (t *boxTesting) leaveOut() {
	leave := func(check judge.Check, cannot bool) {
		for _, x := range t.limits.LeftOut {
			cannot = cannot && x != check
		}
		if cannot {
			t.limits.LeftOut = append(t.limits.LeftOut, check)
		}
	}
	loads, sides := false, false
	for _, l := range t.bench.Lines {
		loads = loads || l.Role == config.LineTestLoad
	}
	for _, l := range t.bench.Leads {
		sides = sides || l.Side != ""
	}
	leave(judge.CheckContact, !loads)
	leave(judge.CheckSides, !sides)
	leave(judge.CheckStart, t.bench.Drive != nil && t.source == drive.ContactOnly)
}

// errEnded is the operator's wish to end here.
var errEnded = errors.New("ended")

// kept says what a test has so far, and how it goes on.
func (t *boxTesting) kept() string {
	return fmt.Sprintf("%d of %d rounds are measured and kept in %s. Go on with the same command and --keep %s", len(t.cycles), len(t.rounds), t.folder.name, t.folder.name)
}

// run goes through the rounds that are left.
func (t *boxTesting) run(ctx context.Context, b testBench) error {
	for line := range strings.Lines(attend.Cautions) {
		fmt.Fprintln(t.out, report.Wrap(line, t.width, "  "))
	}
	t.sayWhich()
	began := time.Now()
	if t.doc.Before == nil {
		err := t.before(ctx, b)
		if t.doc.Before != nil {
			err = errors.Join(err, t.folder.begun(t.doc.Before))
		}
		if err != nil {
			return err
		}
	}
	published := false // how the leads are to be, before they are
	for n := len(t.cycles); n < len(t.rounds); n = len(t.cycles) {
		if !published {
			if err := t.tell(ctx, b, n); err != nil {
				return err
			}
		}
		published = true
		t.show(n)
		switch answer, err := t.ask(ctx, n); {
		case err != nil:
			return err
		case answer == "r" && n > 0:
			if err := t.folder.back(t, n-1); err != nil {
				return err
			}
			t.cycles, t.anew, published = t.cycles[:n-1], true, false
			if len(t.cycles) < t.planned {
				t.rounds = t.rounds[:t.planned] // it may not be those that lack a proof now
			}
			continue
		case answer != "":
			fmt.Fprintf(t.out, "%q is none of the answers: press Enter, or type r or q.\n", answer)
			continue
		}
		switch err := t.measure(ctx, b, n); {
		case again(err):
			fmt.Fprintln(t.out, report.Wrap(fmt.Sprintf("Round %d was not measured: %v. That says nothing of the box; try it again, and close other programs where this computer was too slow.", n+1, err), t.width, "    "))
			continue
		case err != nil:
			return err
		}
		if err := t.folder.keep(t); err != nil {
			return err
		}
		t.told(n)
		if more := len(t.rounds) - t.planned; n+1 == t.planned && more > 0 {
			t.sayFurther(more)
		}
		for _, p := range t.rounds[n].Places {
			t.steps.count(&p, len(t.bench.LeadsIn(p.Place)), n == 0)
		}
	}
	t.end(time.Since(began))
	return nil
}

// sayWhich says which slots are tested where that is not the whole box.
func (t *boxTesting) sayWhich() {
	if len(t.only) == 0 {
		return
	}
	text := "Tested: " + strings.Join(t.only, ", ") + "."
	var prove []string
	for _, p := range t.rounds[0].Places {
		if !slices.Contains(t.only, p.Slot) {
			prove = append(prove, p.Slot)
		}
	}
	if len(prove) > 0 {
		text += " First and at last the leads are in " + strings.Join(prove, ", ") + ", which should be live: so it is seen that no lead is off."
	}
	fmt.Fprintln(t.out, "\n"+report.Wrap(text, t.width, ""))
}

// sayFurther says what the rounds after those of the plan are for.
func (t *boxTesting) sayFurther(more int) {
	rounds := "round proves"
	if more > 1 {
		rounds = "rounds prove"
	}
	fmt.Fprintln(t.out, "\n"+report.Wrap(fmt.Sprintf("A slot without volts is dead, or its lead was off. %d more %s it: the leads are seen live elsewhere.", more, rounds), t.width, ""))
}

// again reports whether a round may be tried again after an error.
func again(err error) bool {
	var stopped *attend.Stopped
	return errors.As(err, &stopped) || errors.Is(err, attend.ErrNotArmed) || errors.Is(err, errNoCycle)
}

// show says how leads and fuses are to be in a round.
func (t *boxTesting) show(n int) {
	fmt.Fprintf(t.out, "\nRound %d of %d\n%s\n", n+1, len(t.rounds), report.Wrap(report.Datum(t.box.Datum), t.width, ""))
	fmt.Fprint(t.out, report.RoundTable(t.round(n), t.legends(), t.width))
	var work []string
	for _, p := range t.rounds[n].Places {
		if s := t.box.Slot(p.Slot); s.Expected == string(protocol.SwitchOperated) {
			work = append(work, s.ID+" "+s.Legend)
		}
	}
	if len(work) > 0 {
		fmt.Fprintln(t.out, report.Wrap("Once the key is on, close the switch of "+strings.Join(work, ", ")+"; open it again after the start.", t.width, "    "))
	}
	var free []string
	for _, l := range t.bench.Leads {
		if l.Role == config.RoleSlot && !slices.ContainsFunc(t.rounds[n].Places, func(p config.Placed) bool { return p.Place == l.Slot }) {
			free = append(free, l.Name)
		}
	}
	if len(free) > 0 {
		fmt.Fprintln(t.out, report.Wrap("Not used, and may stay where they are: "+strings.Join(free, ", ")+".", t.width, "    "))
	}
}

// ask waits until leads and fuses are as they should be.
func (t *boxTesting) ask(ctx context.Context, n int) (string, error) {
	choices := "Enter goes on, q ends here: "
	if n > 0 {
		choices = fmt.Sprintf("Enter goes on, r repeats round %d, q ends here: ", n)
	}
	fmt.Fprint(t.out, report.Wrap("Supply off, leads and fuses as above, supply on, hands off? "+choices, t.width, "")+" ")
	return t.line(ctx)
}

// line waits for a line.
func (t *boxTesting) line(ctx context.Context) (string, error) {
	select {
	case <-ctx.Done():
		fmt.Fprintln(t.out)
		return "", errEnded
	case line, ok := <-t.typed:
		if !ok || line == "q" {
			fmt.Fprintln(t.out)
			return "", errEnded
		}
		t.steps.answers++
		return line, nil
	}
}

// told says what a round has shown.
func (t *boxTesting) told(n int) {
	for i := range t.cycles[n].Slots {
		s := &t.cycles[n].Slots[i]
		fmt.Fprintf(t.out, "    %s %s, fuse %s: %s\n", s.Slot, string(s.Legend), s.Fuse, report.Behaviour(s))
	}
}

// end prints the verdict, and what the test has cost.
func (t *boxTesting) end(took time.Duration) {
	b := t.verdict
	fmt.Fprintf(t.out, "\n%s\n", b.Table(t.width))
	fmt.Fprintln(t.out, report.Wrap(fmt.Sprintf("%d rounds in %s: %d leads moved, %d fuses taken out or put in, %d answers. Kept in %s as test %s.",
		len(t.rounds), took.Round(time.Second), t.steps.leads, t.steps.fuses, t.steps.answers, t.folder.name, t.doc.ID), t.width, ""))
}

// steps counts what the operator had to do.
type steps struct{ leads, fuses, answers int }

func (s *steps) count(p *config.Placed, leads int, first bool) {
	if p.Moved {
		s.leads += leads
	}
	if p.Fitted && !(first && p.Fuse == "in") && !(p.Moved && p.Fuse == "in") {
		s.fuses++
	}
}
