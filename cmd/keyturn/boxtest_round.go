package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"

	"keyturn/adc"
	"keyturn/cmd/internal/attend"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/drive"
	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// testBench is the bench that a box is tested on.
type testBench interface {
	// file is its bench file, whose slots are places.
	file() config.Bench
	// sense is what the battery sense lead reads, in volts, with its standard uncertainty.
	sense(ctx context.Context) (v, u float64, err error)
	// rest is what the daemon is to be told of the bench as it is in a round, and the time of
	// its clock, while nothing is measured.
	rest(b config.Bench, r config.Round) (o daemon.Options, at adc.Instant, err error)
	// begin makes ready for a round: what the daemon is to be told of the bench as it is in
	// the round, its lines (nil where it drives nothing), and the clock of its inputs.
	begin(b config.Bench, r config.Round) (o daemon.Options, lines *parts.Lines, now func() adc.Instant, err error)
	// pages opens a dashboard for the test that is kept in a folder, and returns where; empty
	// where the shop's own shows it.
	pages(ctx context.Context, folder string) (address string, err error)
	// farewell is said at the end.
	farewell(out io.Writer) error
	Close() error
}

// boxTesting is a test of a box that goes on.
type boxTesting struct {
	bench   config.Bench
	box     *config.Box
	rounds  []config.Round
	planned int // of the rounds; those behind prove slots without volts
	limits  judge.Limits
	source  drive.CrankSource
	out     io.Writer
	width   int
	typed   <-chan string
	folder  *testFolder
	cycles  []*protocol.Cycle // a round each
	doc     protocol.Verdict  // as it was published last
	verdict report.BoxVerdict // the same
	at      int               // the round that is measured, from 0
	anew    bool              // nobody knows where the leads are: they went back, or it is another day
	steps   steps
	fault   error // what the judge could not do

	earlier *protocol.Verdict // what it supersedes; nil for nothing
	only    []string          // the slots that are tested; none: all
}

// round is a round as the document has it.
func (t *boxTesting) round(n int) *protocol.VerdictRound {
	out := &protocol.VerdictRound{Number: t.rounds[n].Number}
	for _, p := range t.rounds[n].Places {
		for i, n := range t.bench.LeadsIn(p.Place) {
			l := &t.bench.Leads[n]
			x := protocol.VerdictLead{Lead: l.Name, Slot: p.Slot, Fuse: protocol.Fuse(p.Fuse), Moved: p.Moved || t.anew, Fitted: p.Fitted || t.anew,
				Switch: t.box.Slot(p.Slot).Expected == string(protocol.SwitchOperated)}
			if l.Side != "" {
				x.Side = protocol.OrNull(t.box.Slot(p.Slot).LeadSides()[i])
			}
			out.Leads = append(out.Leads, x)
		}
	}
	return out
}

func (t *boxTesting) legends() map[string]string {
	out := map[string]string{}
	for i := range t.box.Slots {
		out[t.box.Slots[i].ID] = t.box.Slots[i].Legend
	}
	return out
}

// errNoCycle says that the daemon ended before a key cycle was final.
var errNoCycle = errors.New("no key cycle was measured")

// measure measures a round.
func (t *boxTesting) measure(ctx context.Context, b testBench, n int) error {
	r := t.rounds[n]
	t.at = n
	in := t.bench.InRound(t.box, r)
	o, lines, now, err := b.begin(in, r)
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	o.Judge = func(c *protocol.Cycle) *protocol.Verdict {
		if lines == nil {
			stop() // nobody else ends it
		}
		return t.judge(c)
	}
	if lines == nil {
		err = t.byHand(ctx, o)
	} else {
		a, d := attend.New(in, in.RoundScript(t.box, r, t.source), lines, now, "", t.typed, t.out)
		o.Drive, a.Brief = d, true
		err = a.Serve(ctx, d, func(ctx context.Context) error { return daemon.Run(ctx, o) })
		if lines.KeySwitch == nil {
			t.steps.answers++ // the id
		}
	}
	switch {
	case err != nil:
		return err
	case t.fault != nil:
		return t.fault
	case len(t.cycles) == n:
		return errNoCycle
	}
	return nil
}

// byHand lets a person turn the key. Enter ends the key cycle, where there is one.
func (t *boxTesting) byHand(ctx context.Context, o daemon.Options) error {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	marks := make(chan adc.Input, 1)
	o.Marks = marks
	fmt.Fprint(t.out, "Turn the key: accessory, on, start, on, off. Press Enter when it is off and nothing more is to be watched: ")
	var typing sync.WaitGroup
	typing.Go(func() {
		for {
			if _, err := t.line(ctx); err != nil {
				stop(err)
				return
			}
			select {
			case marks <- adc.Input{Kind: adc.MarkInput, Mark: adc.Mark{End: true, Source: adc.SourceOperator}}:
			case <-ctx.Done():
				return
			}
		}
	})
	err := daemon.Run(ctx, o)
	cause := context.Cause(ctx)
	stop(nil)
	typing.Wait() // the next question has the next line
	if err == nil && errors.Is(cause, errEnded) {
		return errEnded
	}
	return err
}

// tell publishes how the leads are to be in the next round, before they are.
func (t *boxTesting) tell(ctx context.Context, b testBench, n int) error {
	d := t.say()
	if t.fault != nil {
		return t.fault
	}
	o, at, err := b.rest(t.bench.InRound(t.box, t.rounds[n]), t.rounds[n])
	if err != nil {
		return err
	}
	return daemon.Tell(ctx, o, at, d)
}

// judge takes a key cycle and says what is known of the box now. It is called while the
// daemon runs.
func (t *boxTesting) judge(c *protocol.Cycle) *protocol.Verdict {
	if len(t.cycles) > t.at {
		return nil // the key was turned again, and a round is one turn
	}
	t.anew = false
	// Rounds are told apart by what the test numbers: where the bench numbered them is its
	// outbox's affair.
	c.Stream, c.Seq = t.doc.ID, int64(len(t.cycles)+1)
	t.cycles = append(t.cycles, c)
	return t.say()
}

// say says what is known of the box, in a revision of its own; nil where that is at fault.
func (t *boxTesting) say() *protocol.Verdict {
	slots, err := t.slots()
	if err != nil {
		t.fault = err
		return nil
	}
	b := judge.JudgeBox(t.limits, slots)
	d := &t.doc
	d.Revision++
	evidence.Judge(d, &b, slots, t.box)
	if t.earlier != nil {
		evidence.Carry(d, t.earlier, t.only)
	}
	t.verdict = evidence.Verdict(d)
	if len(t.cycles) == t.planned && len(t.rounds) == t.planned {
		t.rounds = append(t.rounds, t.further(&b)...)
	}
	d.Rounds, d.Round, d.Final, d.Cycles = len(t.rounds), nil, len(t.cycles) == len(t.rounds), nil
	for _, c := range t.cycles {
		d.Cycles = append(d.Cycles, c.ID)
	}
	if !d.Final {
		d.Round = t.round(len(t.cycles))
	}
	out := *d
	return &out
}

// further are the rounds after those of the plan, for slots without volts of which nothing is
// lacking but that their leads were not seen live before and after. There is one such time:
// what it leaves open stays so.
func (t *boxTesting) further(b *judge.BoxVerdict) []config.Round {
	again, later := evidence.LacksProof(t.cycles, b)
	if len(t.only) > 0 {
		other := func(slot string) bool { return !slices.Contains(t.only, slot) }
		again, later = slices.DeleteFunc(again, other), slices.DeleteFunc(later, other)
	}
	if len(again)+len(later) == 0 {
		return nil
	}
	var sound []string
	for _, s := range t.doc.Slots {
		if s.Outcome != protocol.OutcomeFail && slices.ContainsFunc(s.Reasons, func(r protocol.VerdictReason) bool { return r.Reason == string(judge.AsExpected) }) {
			sound = append(sound, s.Slot)
		}
	}
	return t.bench.Further(t.box, t.rounds, again, later, sound)
}

// slots are the slots of the box as far as they were measured.
func (t *boxTesting) slots() ([]judge.BoxSlot, error) {
	if len(t.cycles) == 0 {
		return evidence.Unmeasured(t.box, protocol.Subject(t.bench.Subject), t.bench.AirbagUnitsAbsent), nil
	}
	return evidence.BoxSlots(t.cycles, t.box, t.bench.AirbagUnitsAbsent)
}
