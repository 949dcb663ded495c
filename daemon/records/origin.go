package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"keyturn/protocol"
)

// Origin is where a key cycle comes from: what ties its figures to the document that was
// stored and to the bench that measured them.
type Origin struct {
	Cycle *protocol.Cycle
	// Payload is the latest revision as it came, byte for byte.
	Payload []byte
	// Bench is how the bench described itself under the cycle's revision; nil where that
	// is not in the records.
	Bench *protocol.BenchResult
}

// Origin returns a key cycle with its origin, or an ErrNone.
func (s *Store) Origin(ctx context.Context, bench, id string) (*Origin, error) {
	var payload string
	err := s.db.QueryRowContext(ctx, latest+" WHERE c.bench = $1 AND c.id = $2", bench, id).Scan(&payload)
	if errors.Is(err, sql.ErrNoRows) {
		err = ErrNone
	}
	if err != nil {
		return nil, fmt.Errorf("cycle %s of bench %s: %w", id, bench, err)
	}
	o := &Origin{Payload: []byte(payload)}
	if o.Cycle, err = resultIn[*protocol.Cycle](o.Payload); err != nil {
		return nil, fmt.Errorf("cycle %s of bench %s: %w", id, bench, err)
	}
	if o.Bench, err = s.described(ctx, o.Cycle); err != nil {
		return nil, fmt.Errorf("bench of cycle %s: %w", id, err)
	}
	return o, nil
}

// described finds the description that a cycle names, first among those that came before
// it: a later one of the same revision has measured its intervals anew.
func (s *Store) described(ctx context.Context, c *protocol.Cycle) (*protocol.BenchResult, error) {
	rows, err := s.db.QueryContext(ctx, `SELECT payload FROM result WHERE bench = $1 AND name = $2
		ORDER BY CASE WHEN stream = $3 AND seq < $4 THEN 0 ELSE 1 END, arrived DESC, seq DESC`,
		c.Bench, protocol.MessageOf(&protocol.BenchResult{}).Name, c.Stream, c.Seq)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var payload string
		if err := rows.Scan(&payload); err != nil {
			return nil, err
		}
		d, err := protocol.Decode([]byte(payload))
		if err != nil {
			return nil, err
		}
		if b, ok := d.(*protocol.BenchResult); ok && b.BenchRev == c.BenchRev {
			return b, nil
		}
	}
	return nil, rows.Err()
}
