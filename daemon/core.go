package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"keyturn/adc"
	"keyturn/daemon/link"
	"keyturn/daemon/measure"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// core turns inputs into documents, on one goroutine.
type core struct {
	o      *Options
	engine *measure.Engine
	t      *translator
	moment *moment
	outbox Outbox
	link   *link.Link
	now    adc.Instant
	began  adc.Instant // the first input
	benchD protocol.Description

	drive    *driving // nil where nothing is driven
	keeping  keeping
	wall     wallClock
	storms   []storm
	requests chan request
	answers  answers
	inputs   int64 // taken
	vitalsAt adc.Instant

	presenceMu sync.Mutex
	presenceAt adc.Instant // engine time, for presence documents
}

func newCore(o *Options) (*core, error) {
	rev, err := o.Description.Revision()
	if err != nil {
		return nil, fmt.Errorf("describe bench %s: %w", o.Bench, err)
	}
	c := &core{o: o, engine: measure.New(o.Params), t: newTranslator(o), benchD: o.Description, requests: make(chan request, requestsMax)}
	c.benchD.Leads = slices.Clone(c.benchD.Leads)
	c.t.benchRev = rev
	c.moment = newMoment(c.t)
	if c.drive, err = newDriving(o); err != nil {
		return nil, err
	}
	if c.outbox = o.Outbox; c.outbox == nil {
		c.outbox = outbox.NewMemory(outbox.MemoryOptions{Stream: o.Stream, Block: o.Blocking})
	}
	lo := link.Options{
		Broker: o.Broker, Root: o.Root, Bench: o.Bench, Presence: c.presence,
		Outbox: c.outbox, Receipts: o.Receipts, Waits: o.Waits, Logger: o.Logger,
	}
	if o.Requests {
		lo.Request = c.hear
	}
	c.link, err = link.New(lo)
	if err != nil {
		return nil, fmt.Errorf("bench %s: %w", o.Bench, err)
	}
	return c, nil
}

// finalise makes the cycles final that a restart cut short: nothing is joined
// across it.
func (c *core) finalise(ctx context.Context) {
	open, err := c.outbox.OpenCycles()
	if err != nil {
		c.o.Logger.Error("cycles cut short by a restart could not be made final", "error", err)
		return
	}
	for _, k := range open {
		k.Revision++
		k.Final, k.Ended = true, protocol.EndedInterrupted
		c.ok(c.outbox.Put(ctx, k))
	}
}

// presence makes a presence document; the link asks for it.
func (c *core) presence(s protocol.PresenceState) ([]byte, error) {
	c.presenceMu.Lock()
	at := c.presenceAt
	c.presenceMu.Unlock()
	return protocol.Encode(&protocol.Presence{Header: c.t.header(at), AsOf: c.asOf(), State: s, ConnectedNS: int64(at)})
}

func (c *core) asOf() protocol.AsOf {
	n := c.outbox.Counts()
	return protocol.AsOf{Stream: c.outbox.Stream(), Seq: n.Last, KeptFromSeq: n.KeptFrom}
}

// run takes the inputs of all feeds until they end.
func (c *core) run(ctx context.Context, feeds []*feed) {
	merge := adc.NewMerge(len(feeds), func(in adc.Input) { c.take(ctx, in) })
	all := make(chan sourced, c.o.room())
	var wg sync.WaitGroup
	for i, f := range feeds {
		wg.Go(func() {
			for in := range f.inputs {
				all <- sourced{i, in}
			}
		})
	}
	go func() { wg.Wait(); close(all) }()
	defer c.drive.off()
	look := time.NewTicker(driveLook)
	defer look.Stop()
	for {
		select {
		case x, ok := <-all:
			if !ok {
				c.drive.off()
				merge.Flush()
				c.publish(ctx, c.engine.Flush())
				c.tellStorms(ctx, true)
				c.sendNow()
				return
			}
			c.inputs++
			merge.Put(x.source, x.in)
			if x.in.Kind == adc.TickInput {
				c.followVitals(feeds)
			}
		case <-look.C:
			c.driveLate(ctx)
		case r := <-c.requests:
			c.answer(ctx, r)
		case m, ok := <-c.o.Marks:
			if ok {
				m.At = c.now
				c.take(ctx, m)
			}
		}
	}
}

// sourced is an input and the feed it came by.
type sourced struct {
	source int
	in     adc.Input
}

// take gives the core one input and publishes what follows.
func (c *core) take(ctx context.Context, in adc.Input) {
	first := c.now == 0
	if in.At > c.now {
		c.now = in.At
	}
	c.presenceMu.Lock()
	c.presenceAt = c.now
	c.presenceMu.Unlock()
	if first {
		c.began = c.now
		c.fillAges()
		c.describe(ctx)
	}
	if c.o.Record != nil {
		c.o.Record(in)
	}
	switch in.Kind {
	case adc.SampleInput:
		c.moment.sample(&in.Sample)
		c.drive.sample(&in.Sample, c.moment)
	case adc.BlindInput:
		c.noteBlind(in.Blind, in.At)
	case adc.TickInput:
		c.followTrouble(ctx)
		c.followWall(ctx)
		c.tellStorms(ctx, false)
	}
	c.publish(ctx, c.engine.Step(in))
	if c.moment.nowDue(c.now) {
		c.sendNow()
	}
	if w := c.moment.waveform(c.now, c.asOf()); w != nil {
		if b, err := protocol.Encode(w); c.ok(err) {
			c.link.Waveform(b)
		}
	}
	if c.moment.intervalsDue(c.now) {
		c.moment.fillIntervals(&c.benchD)
		c.fillLearned()
		c.sendBench()
	}
	c.driveOn(ctx)
}

func (c *core) sendBench() {
	d := &protocol.Bench{Header: c.t.header(c.now), AsOf: c.asOf(), BenchRev: c.t.benchRev, Description: c.benchD}
	if b, err := protocol.Encode(d); c.ok(err) {
		c.link.SetRetained(protocol.MessageOf(d), b)
	}
}

func (c *core) sendNow() {
	d := c.moment.now(c.now, c.asOf())
	if b, err := protocol.Encode(d); c.ok(err) {
		c.link.SetRetained(protocol.MessageOf(d), b)
	}
}

// publish puts what events say into the outbox.
func (c *core) publish(ctx context.Context, events []measure.Event) {
	for _, ev := range events {
		open := c.moment.cycle != ""
		c.moment.event(ev)
		if s, ok := ev.(*measure.StateChanged); ok && c.drive != nil {
			c.drive.changed = max(c.drive.changed, s.At)
		}
		if cycle, ok := ev.(*measure.Cycle); ok && cycle.Final {
			c.tellLearned()
		}
		if d := c.t.translate(c.now, ev); d != nil && c.keeping.admits(ev, open) {
			var final *protocol.Cycle
			if cycle, ok := d.(*protocol.Cycle); ok && cycle.Final {
				copied := *cycle // the outbox numbers it whenever it likes
				final = &copied
			}
			c.ok(c.outbox.Put(ctx, d))
			if final != nil {
				c.judge(ctx, final)
			}
		}
	}
}

// judge publishes what is made of a final key cycle. A script that was
// stopped, and a key cycle that the end of the program cut short, show nothing that was
// asked.
func (c *core) judge(ctx context.Context, cycle *protocol.Cycle) {
	if c.o.Judge == nil || c.drive != nil && c.drive.stopped != "" || cycle.Ended == protocol.EndedInterrupted {
		return
	}
	if v := c.o.Judge(cycle); v != nil {
		v.ResultHeader = c.t.result(c.now)
		c.ok(c.outbox.Put(ctx, v))
	}
}

// ok logs a document that could not be made; the next ones may be.
func (c *core) ok(err error) bool {
	if err != nil && !errors.Is(err, outbox.ErrStopped) {
		c.o.Logger.Error("a document could not be made", "error", err)
	}
	return err == nil
}
