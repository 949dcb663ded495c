package dashboard

import (
	"context"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

// Records are the stored key cycles: a records.Store. Of each they know the highest
// revision only. What they return is not changed afterwards, by neither side.
type Records interface {
	// Cycles returns what a filter lets through, the latest stored first.
	Cycles(context.Context, records.Filter) ([]*protocol.Cycle, error)
	// Cycle returns one key cycle, or a records.ErrNone.
	Cycle(ctx context.Context, bench, id string) (*protocol.Cycle, error)
	// Origin returns one with its origin, or a records.ErrNone.
	Origin(ctx context.Context, bench, id string) (*records.Origin, error)
}
