package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"keyturn/adc"
	"keyturn/protocol"
)

const (
	// tellMost is how long Tell waits for the broker.
	tellMost = 5 * time.Second
	tellLook = 10 * time.Millisecond
)

// Tell publishes a result of a bench that measures nothing at the moment, such as the
// verdict while its leads are moved. It returns when the broker has it, or tellMost is over;
// then it stays in the outbox, and the next Run sends it. at is the present time of its clock.
func Tell(ctx context.Context, o Options, at adc.Instant, r protocol.Result) error {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	c, err := newCore(&o)
	if err != nil {
		return err
	}
	c.now, c.presenceAt = at, at
	c.fillAges()
	c.describe(ctx)
	*r.ResultHead() = c.t.result(at)
	if err := c.outbox.Put(ctx, r); err != nil {
		return fmt.Errorf("tell a result: %w", err)
	}
	linkCtx, stop := context.WithTimeout(ctx, tellMost)
	defer stop()
	done := make(chan struct{})
	go func() { defer close(done); c.link.Run(linkCtx) }()
	look := time.NewTicker(tellLook)
	defer look.Stop()
	for {
		select {
		case <-done:
			return nil
		case <-look.C:
			if n := c.outbox.Counts(); n.Queued == 0 && n.Acked >= n.Last {
				stop()
			}
		}
	}
}
