package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"keyturn/protocol"
)

// Filter says which key cycles are wanted; an empty member means any.
type Filter struct {
	Bench, Slot string
	Behaviour   protocol.Behaviour
	// Before is the last of the list before: those that came earlier follow. One that
	// is not known is an ErrNone. A revision that comes later does not move a cycle.
	Before CycleRef
	// Limit is how many at most; zero means limitUsual.
	Limit int
}

// CycleRef names a key cycle.
type CycleRef struct{ Bench, ID string }

// limitUsual is how many cycles a list has unless told otherwise, limitMost at most.
const (
	limitUsual = 50
	limitMost  = 1000
)

// Cycles returns the latest revision of key cycles, the latest cycle first.
func (s *Store) Cycles(ctx context.Context, f Filter) ([]*protocol.Cycle, error) {
	if f.Limit <= 0 {
		f.Limit = limitUsual
	}
	if f.Slot != "" || f.Behaviour != "" {
		if err := s.listAll(ctx); err != nil {
			return nil, fmt.Errorf("look for key cycles: %w", err)
		}
	}
	if f.Before != (CycleRef{}) {
		if _, err := s.Cycle(ctx, f.Before.Bench, f.Before.ID); err != nil {
			return nil, err
		}
	}
	rows, err := s.db.QueryContext(ctx, `SELECT r.payload FROM cycle c JOIN result r ON r.stream = c.stream AND r.seq = c.seq
		WHERE ($1 = '' OR c.bench = $1)
		AND (($2 = '' AND $3 = '') OR EXISTS (SELECT 1 FROM slot s WHERE s.bench = c.bench AND s.id = c.id
			AND ($2 = '' OR s.slot = $2) AND ($3 = '' OR s.behaviour = $3)))
		AND ($4 = '' OR (c.arrived, c.bench, c.id) < (SELECT b.arrived, b.bench, b.id FROM cycle b WHERE b.bench = $4 AND b.id = $5))
		ORDER BY c.arrived DESC, c.bench DESC, c.id DESC LIMIT $6`,
		f.Bench, f.Slot, string(f.Behaviour), f.Before.Bench, f.Before.ID, min(f.Limit, limitMost))
	if err != nil {
		return nil, fmt.Errorf("look for key cycles: %w", err)
	}
	defer rows.Close()
	var out []*protocol.Cycle
	for rows.Next() {
		c, err := scanCycle(rows)
		if err != nil {
			return nil, fmt.Errorf("look for key cycles: %w", err)
		}
		out = append(out, c)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("look for key cycles: %w", err)
	}
	return out, nil
}

// ErrNone is returned where there is no such key cycle.
var ErrNone = errors.New("no such key cycle")

// Cycle returns the latest revision of a key cycle, or an ErrNone.
func (s *Store) Cycle(ctx context.Context, bench, id string) (*protocol.Cycle, error) {
	c, err := scanCycle(s.db.QueryRowContext(ctx, `SELECT r.payload FROM cycle c JOIN result r ON r.stream = c.stream AND r.seq = c.seq
		WHERE c.bench = $1 AND c.id = $2`, bench, id))
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("cycle %s of bench %s: %w", id, bench, ErrNone)
	}
	if err != nil {
		return nil, fmt.Errorf("cycle %s of bench %s: %w", id, bench, err)
	}
	return c, nil
}

func scanCycle(row interface{ Scan(...any) error }) (*protocol.Cycle, error) {
	var payload string
	if err := row.Scan(&payload); err != nil {
		return nil, err
	}
	d, err := protocol.Decode([]byte(payload))
	if err != nil {
		return nil, err
	}
	c, ok := d.(*protocol.Cycle)
	if !ok {
		return nil, errNotResult
	}
	return c, nil
}
