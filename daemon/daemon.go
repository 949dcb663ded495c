package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"keyturn/adc"
	"keyturn/daemon/link"
	"keyturn/daemon/measure"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// Options is everything a bench's daemon is made of.
type Options struct {
	// Bench is its id, Root the root of its topics, Broker the broker's URL,
	// ClientID its name there.
	Bench, Root, Broker, ClientID string
	// Params is what the measuring core is told; Description what subscribers
	// are. Leads stand in both in the same order.
	Params      measure.Params
	Description protocol.Description
	// Cylinders is the engine's number of cylinders, for the cranking speed; 0 where
	// it is not known.
	Cylinders int
	// Learned, if set, is told the leads' time constants after each key cycle. It
	// must not wait for anything.
	Learned func([]measure.TimeConstants)
	// Buses are sampled side by side, each by its own scanner.
	Buses []Bus
	// Boot names the clock of all instants.
	Boot string
	// Outbox keeps the results; nil is one in memory, whose numbering Stream names.
	Outbox Outbox
	Stream string
	// Blocking lets full queues wait instead of dropping: for simulated time.
	Blocking bool
	// Marks are what the operator at the bench says of the key; nil for none.
	Marks <-chan adc.Input
	// Record, if set, gets every input in the order the core gets it.
	Record func(adc.Input)
	// Wall tells the wall clock at an instant and the bound of its error; false
	// while it is unknown. Nil: it never is known.
	Wall func(adc.Instant) (time.Time, time.Duration, bool)
	// Logger gets the edges; nil discards.
	Logger *slog.Logger
}

// Outbox is where results are numbered and kept.
type Outbox interface {
	link.Outbox
	// Put numbers a result and keeps it.
	Put(context.Context, protocol.Result) error
	// Stream names the numbering.
	Stream() string
	// OpenCycles returns the key cycles that a restart cut short.
	OpenCycles() ([]*protocol.Cycle, error)
}

// Bus is one I2C bus with the chips on it.
type Bus struct {
	Name  string
	Clock adc.Clock
	Plans []adc.ChipPlan
}

// inputsMax is how many inputs of a bus may wait for the core: a second and a
// half of 16 leads. What does not fit is dropped, and said.
const inputsMax = 4096

// Run samples, measures and publishes until the context is done; then it closes
// what is open, sends what is left and says goodbye. It returns an error only
// if it could not begin.
func Run(ctx context.Context, o Options) error {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if err := o.Params.Check(); err != nil {
		return fmt.Errorf("bench %s: %w", o.Bench, err)
	}
	if len(o.Buses) == 0 {
		return fmt.Errorf("bench %s: no bus", o.Bench)
	}
	c, err := newCore(&o)
	if err != nil {
		return err
	}
	feeds := make([]*feed, len(o.Buses))
	for i, b := range o.Buses {
		if feeds[i], err = newFeed(b, &o); err != nil {
			return fmt.Errorf("bus %s: %w", b.Name, err)
		}
	}

	// Sampling stops first, then the core closes, then the link says goodbye.
	linkCtx, stopLink := context.WithCancel(context.WithoutCancel(ctx))
	defer stopLink()
	var sampling, linking sync.WaitGroup
	linking.Go(func() { c.link.Run(linkCtx) })
	for _, f := range feeds {
		sampling.Go(func() { f.run(ctx) })
	}
	c.finalise(ctx)
	c.run(ctx, feeds)
	sampling.Wait()
	stopLink()
	linking.Wait()
	return nil
}

// feed carries one scanner's inputs to the core.
type feed struct {
	scanner  *adc.Scanner
	inputs   chan adc.Input
	blocking bool
	lost     []bool // per lead: dropped since it was last told
	anyLost  bool
	stop     <-chan struct{}
}

func newFeed(b Bus, o *Options) (*feed, error) {
	f := &feed{inputs: make(chan adc.Input, inputsMax), blocking: o.Blocking, lost: make([]bool, len(o.Params.Leads))}
	var err error
	f.scanner, err = adc.NewScanner(b.Clock, b.Plans, f.put)
	return f, err
}

func (f *feed) run(ctx context.Context) {
	f.stop = ctx.Done()
	f.scanner.Run(ctx)
	close(f.inputs)
}

// put hands an input on. The scanner never waits for the core, unless time is
// simulated: what does not fit is dropped, and its lead is blind for it.
func (f *feed) put(in adc.Input) {
	if f.blocking {
		select {
		case f.inputs <- in:
		case <-f.stop:
		}
		return
	}
	if f.anyLost {
		f.tell(in.At)
	}
	select {
	case f.inputs <- in:
	default:
		if in.Kind == adc.SampleInput {
			f.lost[in.Sample.Lead], f.anyLost = true, true
		}
	}
}

// tell says which leads lost samples, as soon as there is room to say it.
func (f *feed) tell(at adc.Instant) {
	f.anyLost = false
	for i, lost := range f.lost {
		if !lost {
			continue
		}
		b := adc.Input{Kind: adc.BlindInput, At: at, Blind: adc.Blind{Lead: i, Since: at.Add(-blindBack), Reason: adc.InputsLost}}
		select {
		case f.inputs <- b:
			f.lost[i] = false
		default:
			f.anyLost = true
			return
		}
	}
}

// blindBack is how far back a lead is blind after dropped samples: all that was
// dropped is younger than a full queue is old.
const blindBack = 2 * time.Second

// core turns inputs into documents, on one goroutine.
type core struct {
	o      *Options
	engine *measure.Engine
	t      *translator
	moment *moment
	outbox Outbox
	link   *link.Link
	now    adc.Instant
	benchD protocol.Description

	presenceMu sync.Mutex
	presenceAt adc.Instant // engine time, for presence documents
}

func newCore(o *Options) (*core, error) {
	rev, err := o.Description.Revision()
	if err != nil {
		return nil, fmt.Errorf("describe bench %s: %w", o.Bench, err)
	}
	c := &core{o: o, engine: measure.New(o.Params), t: newTranslator(o), benchD: o.Description}
	c.benchD.Leads = slices.Clone(c.benchD.Leads)
	c.t.benchRev = rev
	c.moment = newMoment(c.t)
	if c.outbox = o.Outbox; c.outbox == nil {
		c.outbox = outbox.NewMemory(outbox.MemoryOptions{Stream: o.Stream, Block: o.Blocking})
	}
	c.link, err = link.New(link.Options{
		Broker: o.Broker, ClientID: o.ClientID, Root: o.Root, Bench: o.Bench, Presence: c.presence,
		Outbox: c.outbox, Logger: o.Logger,
	})
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
	return protocol.AsOf{Stream: c.outbox.Stream(), Seq: c.outbox.Counts().Last}
}

// run takes the inputs of all feeds until they end.
func (c *core) run(ctx context.Context, feeds []*feed) {
	merge := adc.NewMerge(len(feeds), func(in adc.Input) { c.take(ctx, in) })
	all := make(chan sourced, inputsMax)
	var wg sync.WaitGroup
	for i, f := range feeds {
		wg.Go(func() {
			for in := range f.inputs {
				all <- sourced{i, in}
			}
		})
	}
	go func() { wg.Wait(); close(all) }()
	for {
		select {
		case x, ok := <-all:
			if !ok {
				merge.Flush()
				c.publish(ctx, c.engine.Flush())
				c.sendNow()
				return
			}
			merge.Put(x.source, x.in)
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
		c.fillAges()
		c.describe(ctx)
	}
	if c.o.Record != nil {
		c.o.Record(in)
	}
	if in.Kind == adc.SampleInput {
		c.moment.sample(&in.Sample)
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
}

// describe says what the bench is: once as a result, and retained.
func (c *core) describe(ctx context.Context) {
	c.ok(c.outbox.Put(ctx, &protocol.BenchResult{ResultHeader: c.t.result(c.now), Description: c.benchD}))
	c.sendBench()
}

// fillLearned writes into the description what the leads have taught.
func (c *core) fillLearned() {
	c.fillAges()
	for i := range c.benchD.Leads {
		k := c.engine.TimeConstants(i)
		if k.Edges == 0 {
			continue
		}
		c.benchD.Leads[i].TauLearned = &protocol.TauLearned{
			DrivenUS: protocol.MicrosOf(k.Driven), UDriven: protocol.Ratio(k.UDriven),
			FloatingUS: protocol.MicrosOf(k.Floating), UFloating: protocol.Ratio(k.UFloating), Edges: k.Edges,
		}
	}
}

// fillAges writes into the description how old the calibrations are.
func (c *core) fillAges() {
	if c.o.Wall == nil {
		return
	}
	wall, _, ok := c.o.Wall(c.now)
	if !ok {
		return
	}
	for i := range c.benchD.Leads {
		cal := &c.benchD.Leads[i].Calibration
		if made, err := time.Parse(time.DateOnly, string(cal.Date)); err == nil {
			days := int(wall.Sub(made) / (24 * time.Hour))
			cal.AgeDays = &days
		}
	}
}

// tellLearned hands on what the leads have taught, for the calibration to keep.
func (c *core) tellLearned() {
	if c.o.Learned == nil {
		return
	}
	all := make([]measure.TimeConstants, len(c.o.Params.Leads))
	for i := range all {
		all[i] = c.engine.TimeConstants(i)
	}
	c.o.Learned(all)
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
		c.moment.event(ev)
		if cycle, ok := ev.(*measure.Cycle); ok && cycle.Final {
			c.tellLearned()
		}
		if d := c.t.translate(c.now, ev); d != nil {
			c.ok(c.outbox.Put(ctx, d))
		}
	}
}

// ok logs a document that could not be made; the next ones may be.
func (c *core) ok(err error) bool {
	if err != nil && !errors.Is(err, outbox.ErrStopped) {
		c.o.Logger.Error("a document could not be made", "error", err)
	}
	return err == nil
}
