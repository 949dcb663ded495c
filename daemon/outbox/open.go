package outbox

import (
	"encoding/json"
	"fmt"

	"keyturn/protocol"
)

// openAmong is among how many of the latest cycle results an open one is looked
// for: a cycle has a few revisions, and a new one ends the one before.
const openAmong = 200

// OpenCycles returns the latest revision of every key cycle stored lately that
// never became final: those that a restart cut short.
func (s *Store) OpenCycles() ([]*protocol.Cycle, error) {
	rows, err := s.db.Query("SELECT payload FROM (SELECT seq, payload FROM result WHERE name='result/cycle' ORDER BY seq DESC LIMIT ?) ORDER BY seq", openAmong)
	if err != nil {
		return nil, fmt.Errorf("look for open cycles: %w", err)
	}
	defer rows.Close()
	latest := map[string]*protocol.Cycle{}
	var order []string
	for rows.Next() {
		var payload []byte
		if err := rows.Scan(&payload); err != nil {
			return nil, fmt.Errorf("look for open cycles: %w", err)
		}
		c := &protocol.Cycle{}
		if err := json.Unmarshal(payload, c); err != nil {
			return nil, fmt.Errorf("look for open cycles: %w", err)
		}
		if latest[c.ID] == nil {
			order = append(order, c.ID)
		}
		if old := latest[c.ID]; old == nil || c.Revision > old.Revision {
			latest[c.ID] = c
		}
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("look for open cycles: %w", err)
	}
	var open []*protocol.Cycle
	for _, id := range order {
		if c := latest[id]; !c.Final {
			open = append(open, c)
		}
	}
	return open, nil
}
