package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"keyturn/adc"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon/config"
	"keyturn/daemon/report"
)

// doctor proves the whole way of a result: bus, chips, calibration, clock, disk,
// broker, access rules, record keeper. It runs the daemon itself for a moment.
type doctor struct {
	benchFlags
	Wait time.Duration `help:"How long everything may take to be well." default:"20s"`
}

// checked is what was found of one thing.
type checked struct {
	what  string
	level level
	said  string
	todo  string // empty if nothing is to be done
}

type level uint8

const (
	well level = iota
	notice
	failed
)

func (l level) String() string { return [...]string{"ok", "note", "FAILED"}[l] }

// errUnwell ends the program with an exit code that says so.
var errUnwell = errors.New("not everything is well")

// Run checks one thing after the other and says what it found as it goes.
func (d *doctor) Run(ctx context.Context) error {
	x := &examination{ctx: ctx, d: d, out: os.Stdout, width: terminalWidth(os.Stdout)}
	if err := x.run(); err != nil {
		return err
	}
	if x.failed > 0 {
		return fmt.Errorf("%w: %d of %d checks failed", errUnwell, x.failed, x.count)
	}
	fmt.Fprintln(x.out, "All is well.")
	return nil
}

// examination is one run of the doctor.
type examination struct {
	ctx           context.Context
	d             *doctor
	out           io.Writer
	width         int
	count, failed int
}

func (x *examination) say(c checked) {
	x.count++
	if c.level == failed {
		x.failed++
	}
	lead := fmt.Sprintf("%-13s %-6s  ", c.what, c.level)
	room := max(x.width-len(lead), 20)
	text := report.Wrap(c.said, room, "")
	if c.todo != "" {
		text += "\n" + report.Wrap("-> "+c.todo, room, "   ")
	}
	for line := range strings.SplitSeq(text, "\n") {
		fmt.Fprintln(x.out, lead+line)
		lead = strings.Repeat(" ", len(lead))
	}
}

// verdict says the outcome of something that may have failed.
func (x *examination) verdict(what string, err error, said, todo string) bool {
	if err != nil {
		x.say(checked{what, failed, strings.ReplaceAll(err.Error(), "\n", "; "), todo})
		return false
	}
	x.say(checked{what: what, said: said})
	return true
}

func (x *examination) run() error {
	p := &probe{calibration: &parts.Calibration{}}
	defer p.Close()
	clock, err := adc.NewRealClock()
	if err != nil {
		return fmt.Errorf("read the monotonic clock: %w", err)
	}
	files, open, err := x.d.files(p, clock)
	if err != nil {
		if errors.Is(err, errWhichBench) {
			return err
		}
		x.verdict("bench file", err, "", "correct the file: keyturnd --check says the same")
		return nil
	}
	b := files.Read
	x.say(checked{what: "bench file", said: "bench " + b.ID + ": " + parts.Size(b)})
	x.calibration(b)
	x.clock()
	if said := running(b.Health); said != "" {
		x.say(checked{"daemon", failed, "it is running, and says: " + said, "stop it first: one program at a time on a bus (systemctl stop keyturnd)"})
		return nil
	}
	o, speeds, err := parts.Prepare(files, "keyturn-doctor", version, parts.ScanMode, open)
	if !x.verdict("buses", err, speedsOf(b, speeds), "is the bus enabled, and may this user open it (group i2c)?") {
		return nil
	}
	for _, f := range o.Findings {
		x.say(checked{"buses", failed, f, "see force_turbo or core_freq in the machine's boot configuration"})
	}
	x.disk(b)
	if x.d.Practice {
		broker, err := startBroker()
		if err != nil {
			return err
		}
		defer broker.Close()
		o.Broker.URL = broker.url
	}
	if x.access(o) {
		x.whole(b, o)
	}
	return nil
}

// errWhichBench is returned where no bench was named.
var errWhichBench = errors.New("which bench? say --config FILE, or --practice for a simulated one")

// files reads the bench, or makes the practice bench.
func (d *doctor) files(p *probe, clock adc.Clock) (parts.Files, parts.Open, error) {
	switch {
	case d.Practice:
		open, err := p.practice(clock)
		for i, l := range p.bench.Leads {
			if l.Role == config.RoleBatterySense {
				p.hands[i].hold(practiceV)
			}
		}
		return parts.Files{Bench: "practice", Read: p.bench, Calibration: p.calibration}, open, err
	case d.Config == "":
		return parts.Files{}, nil, errWhichBench
	}
	f, err := parts.Read(d.Config)
	p.bench = f.Read
	return f, p.openKernel(clock), err
}

// command is another command for the same bench, as it is typed.
func (d *doctor) command(name string) string {
	if d.Practice {
		return "keyturn " + name + " --practice"
	}
	return "sudo keyturn " + name + " --config " + d.Config
}
