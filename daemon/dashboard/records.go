package dashboard

import (
	"context"
	"errors"

	"keyturn/protocol"
)

// ErrNoCycle is what Records return, wrapped or not, for a key cycle they do not
// have.
var ErrNoCycle = errors.New("no such key cycle")

// Records are the stored key cycles. Of each they know the highest revision only.
// What they return is not changed afterwards, by neither side.
type Records interface {
	// Cycles returns what a filter lets through, the latest stored first.
	Cycles(context.Context, CycleFilter) ([]*protocol.Cycle, error)
	// Cycle returns one key cycle, or ErrNoCycle.
	Cycle(ctx context.Context, bench, id string) (*protocol.Cycle, error)
}

// CycleFilter says which key cycles are wanted; a member that is empty lets all
// through. With Slot and Behaviour both, it is that slot that does that.
type CycleFilter struct {
	Bench     string
	Slot      string
	Behaviour protocol.Behaviour
	// Before is the last key cycle of the page before: those stored earlier follow. One
	// that is not known is ErrNoCycle. A revision that comes later does not move a key
	// cycle in the order.
	Before CycleRef
	// Limit is the most that are returned, at least 1.
	Limit int
}

// CycleRef names a key cycle.
type CycleRef struct{ Bench, ID string }
