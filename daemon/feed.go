package daemon

import (
	"context"
	"sync/atomic"
	"time"

	"keyturn/adc"
)

// feed carries one scanner's inputs to the core.
type feed struct {
	scanner  *adc.Scanner
	inputs   chan adc.Input
	blocking bool
	lost     []bool // per lead: dropped since it was last told
	anyLost  bool
	dropped  atomic.Int64 // inputs without room
	stop     <-chan struct{}
}

func newFeed(b Bus, o *Options) (*feed, error) {
	f := &feed{inputs: make(chan adc.Input, o.room()), blocking: o.Blocking, lost: make([]bool, len(o.Params.Leads))}
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
		f.dropped.Add(1)
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
