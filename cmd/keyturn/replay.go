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
	c, err := capture.NewReader(b)
	if err != nil {
		return err
	}
	bench, err := config.ParseBench(c.Header.BenchFile, parts.Families())
	if err != nil {
		return fmt.Errorf("the bench file in its header:\n%w", err)
	}
	d := daemon.Describe(bench, "keyturn replay "+version, func(string) time.Duration { return 0 })
	return r.measure(ctx, s, bench.ID, bench.Params(), d, c.Next)
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
	return r.measure(ctx, s, "recording", p, protocol.Description{Software: "keyturn replay " + version, Subject: protocol.Vehicle}, next)
}

// measure runs the core over inputs and shows its documents.
func (r *replay) measure(ctx context.Context, s *show, bench string, p measure.Params, d protocol.Description, next func() (adc.Input, error)) error {
	if err := p.Check(); err != nil {
		return err
	}
	t, err := daemon.NewReplay(bench, p, d)
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
