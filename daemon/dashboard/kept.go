package dashboard

import (
	"context"
	"errors"
	"fmt"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

// Kept are the key cycles of the shop's records.
type Kept struct{ *records.Store }

// Cycles returns what a filter lets through, the latest stored first.
func (k Kept) Cycles(ctx context.Context, f CycleFilter) ([]*protocol.Cycle, error) {
	if f.Before != (CycleRef{}) {
		if _, err := k.Cycle(ctx, f.Before.Bench, f.Before.ID); err != nil {
			return nil, err
		}
	}
	return k.Store.Cycles(ctx, records.Filter{Bench: f.Bench, Slot: f.Slot, Behaviour: f.Behaviour,
		BeforeBench: f.Before.Bench, BeforeID: f.Before.ID, Limit: f.Limit})
}

// Cycle returns one key cycle, or ErrNoCycle.
func (k Kept) Cycle(ctx context.Context, bench, id string) (*protocol.Cycle, error) {
	c, err := k.Store.Cycle(ctx, bench, id)
	if errors.Is(err, records.ErrNone) {
		return nil, fmt.Errorf("%s of bench %s: %w", id, bench, ErrNoCycle)
	}
	return c, err
}
