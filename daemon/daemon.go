package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"keyturn/adc"
	"keyturn/daemon/link"
	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// Options is everything a bench's daemon is made of.
type Options struct {
	// Bench is its id, Root the root of its topics.
	Bench, Root string
	// Broker says where results go.
	Broker link.Broker
	// Receipts lets the receipts of record keepers in.
	Receipts bool
	// Waits are the link's deadlines; zero means their defaults.
	Waits link.Waits
	// Requests lets requests over MQTT in.
	Requests bool
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
	// Drive turns the key by script; nil: nobody but people does.
	Drive *Drive
	// Judge, if set, is given each key cycle when it is final, without its number; what it
	// returns is a result of the bench like any other, nil for none. It must not wait.
	Judge func(*protocol.Cycle) *protocol.Verdict
	// Record, if set, gets every input in the order the core gets it.
	Record func(adc.Input)
	// Wall tells the wall clock at an instant and the bound of its error; false
	// while it is unknown. Nil: it never is known.
	Wall func(adc.Instant) (time.Time, time.Duration, bool)
	// Findings are troubles found before the start; each is told as a bench-fault.
	Findings []string
	// Health, if set, is told how the daemon is.
	Health *Health
	// Logger gets the edges; nil discards.
	Logger *slog.Logger
}

// Outbox is where results are numbered and kept.
type Outbox interface {
	link.Outbox
	// Put numbers a result and keeps it.
	Put(context.Context, protocol.Result) error
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

// inputsDriven is how many may wait where a script switches on simulated time: some
// milliseconds of 16 leads, as a relay takes. With more, time would be beyond what is to
// be switched.
const inputsDriven = 8

// room is how many inputs of a bus may wait for the core.
func (o *Options) room() int {
	if o.Blocking && o.Drive != nil {
		return inputsDriven
	}
	return inputsMax
}

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
