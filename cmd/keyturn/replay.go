package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"keyturn/adc"
	"keyturn/adc/capture"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// replay measures a recording again, with the code that measures live.
type replay struct {
	File    string   `arg:"" help:"A capture, or a plain CSV." type:"existingfile"`
	JSON    bool     `name:"json" help:"Print the documents, one a line, as JSON."`
	Time    string   `help:"Plain CSV: name of the time column." placeholder:"COLUMN"`
	Unit    float64  `help:"Plain CSV: seconds per unit of the time column." default:"1"`
	Battery string   `help:"Plain CSV: the column of the battery's voltage." placeholder:"COLUMN"`
	Volts   []string `help:"Plain CSV: columns of other voltages, each a slot." placeholder:"COLUMN"`
	Width   int      `help:"Columns to print in; 0 asks the terminal." default:"0"`
}

// Run replays the file.
func (r *replay) Run(ctx context.Context) error {
	f, err := os.Open(r.File)
	if err != nil {
		return fmt.Errorf("replay: %w", err)
	}
	defer f.Close()
	b := bufio.NewReaderSize(f, 1<<16)
	begin, _ := b.Peek(64)
	s := newShow(os.Stdout, r.Width, r.JSON)
	if s.width == 0 {
		s.width = terminalWidth(os.Stdout)
	}
	if capture.Is(begin) {
		err = r.capture(ctx, b, s)
	} else {
		err = r.plain(ctx, b, s)
	}
	if err != nil {
		return fmt.Errorf("replay %s: %w", r.File, err)
	}
	return nil
}

func (r *replay) capture(ctx context.Context, b io.Reader, s *show) error {
	c, o, err := readCapture(b, "replay")
	if err != nil {
		return err
	}
	return r.measure(ctx, s, o, c.Next)
}

// readCapture reads a capture's header and returns what its inputs are to be measured
// with. The plan of a chip is not in it, and so no bound of the interval.
func readCapture(b io.Reader, command string) (*capture.Reader, daemon.ReplayOptions, error) {
	c, err := capture.NewReader(b)
	if err != nil {
		return nil, daemon.ReplayOptions{}, err
	}
	bench, err := config.ParseBench(c.Header.BenchFile, parts.Families())
	if err != nil {
		return nil, daemon.ReplayOptions{}, fmt.Errorf("the bench file in its header:\n%w", err)
	}
	o := daemon.ReplayOptions{Bench: bench.ID, Params: bench.Params(), Cylinders: bench.Cylinders,
		Description: daemon.Describe(bench, "keyturn "+command+" "+version, func(string) time.Duration { return 0 })}
	return c, o, o.Params.Check()
}

func (r *replay) plain(ctx context.Context, b io.Reader, s *show) error {
	if r.Time == "" || r.Battery == "" {
		return errors.New("no capture: for a plain CSV name the columns with --time and --battery")
	}
	inputs, leads, interval, err := capture.ReadPlain(b, capture.Plain{Time: r.Time, Unit: r.Unit, Volts: append([]string{r.Battery}, r.Volts...)})
	if err != nil {
		return err
	}
	p := measure.Params{Leads: leads, BatterySense: measure.NoLead, Key: measure.NoKeySense(), GapMax: max(100*time.Millisecond, 8*interval)}
	if len(leads) > 1 {
		p.BatterySense = 0
	}
	for i := 1; i < len(leads); i++ {
		p.Slots = append(p.Slots, measure.Slot{Name: leads[i].Name, Legend: r.Volts[i-1], Leads: []measure.SlotLead{{Lead: i}}})
	}
	s.battery = leads[0].Name
	next := func() (adc.Input, error) {
		if len(inputs) == 0 {
			return adc.Input{}, io.EOF
		}
		in := inputs[0]
		inputs = inputs[1:]
		return in, nil
	}
	if err := p.Check(); err != nil {
		return err
	}
	d := protocol.Description{Software: "keyturn replay " + version, Subject: protocol.Vehicle}
	return r.measure(ctx, s, daemon.ReplayOptions{Bench: "recording", Params: p, Description: d}, next)
}

// measure runs the core over inputs and shows its documents.
func (r *replay) measure(ctx context.Context, s *show, o daemon.ReplayOptions, next func() (adc.Input, error)) error {
	t, err := daemon.NewReplay(o)
	if err != nil {
		return err
	}
	for ctx.Err() == nil {
		in, err := next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if err := r.show(s, t.Step(in)); err != nil {
			return err
		}
	}
	return r.show(s, t.Flush())
}

func (r *replay) show(s *show, docs []protocol.Document) error {
	for _, d := range docs {
		if r.JSON {
			b, err := protocol.Encode(d)
			if err != nil {
				return err
			}
			fmt.Fprintf(s.out, "%s\n", b)
			continue
		}
		if s.since == 0 {
			s.since = d.Head().MonoNS
		}
		s.print(d)
	}
	return nil
}
