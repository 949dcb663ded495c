package records

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"slices"
	"strings"

	"keyturn/protocol"
)

// indexCycles makes each cycle the latest of its id, unless a higher revision is there.
// What a final one is looked up by is listed at once. The revisions before it, most of
// what a bench sends, are listed only when somebody looks.
func (s *Store) indexCycles(ctx context.Context, tx *sql.Tx, cycles []*protocol.Cycle, arrived string) error {
	t := table{"INSERT INTO cycle (bench, id, revision, final, ended, stream, seq, wall, arrived, listed) VALUES", 10,
		`ON CONFLICT (bench, id) DO UPDATE SET revision=excluded.revision, final=excluded.final, ended=excluded.ended, stream=excluded.stream,
			seq=excluded.seq, wall=excluded.wall, listed=CASE WHEN excluded.final THEN excluded.listed ELSE cycle.listed END WHERE cycle.revision < excluded.revision RETURNING bench, id`, nil}
	byRef := map[CycleRef]*protocol.Cycle{}
	for _, c := range cycles {
		byRef[CycleRef{c.Bench, c.ID}] = c
		listed := 0
		if c.Final {
			listed = c.Revision
		}
		t.row(c.Bench, c.ID, c.Revision, c.Final, orNull(c.Ended), c.Stream, c.Seq, orNull(c.Wall), arrived, listed)
	}
	var final []*protocol.Cycle
	err := s.each(ctx, tx, &t, func(rows *sql.Rows) error {
		var ref CycleRef
		err := rows.Scan(&ref.Bench, &ref.ID)
		if c := byRef[ref]; c != nil && c.Final {
			final = append(final, c)
		}
		return err
	})
	if err != nil {
		return err
	}
	return s.list(ctx, tx, final)
}

// list writes what cycles are looked up by.
func (s *Store) list(ctx context.Context, tx *sql.Tx, cycles []*protocol.Cycle) error {
	noSlots := table{"DELETE FROM slot WHERE (bench, id) IN (VALUES", 2, ")", nil}
	noTransitions := table{"DELETE FROM transition WHERE (bench, id) IN (VALUES", 2, ")", nil}
	slots := table{"INSERT INTO slot (bench, id, slot, legend, behaviour, stays_on_s, off_in_start, watched_s, lowest_v) VALUES", 9, "ON CONFLICT DO NOTHING", nil}
	transitions := table{"INSERT INTO transition (bench, id, slot, lead, transition, state, after_key_on_s, u_us) VALUES", 8, "ON CONFLICT DO NOTHING", nil}
	for _, c := range cycles {
		noSlots.row(c.Bench, c.ID)
		noTransitions.row(c.Bench, c.ID)
		cycleRows(c, &slots, &transitions)
	}
	return s.all(ctx, tx, &noSlots, &noTransitions, &slots, &transitions)
}

// listAll lists the key cycles that are not final, as far as they are known: before
// somebody looks for slots or transitions.
func (s *Store) listAll(ctx context.Context) error {
	behind, err := s.behind(ctx)
	if err != nil || len(behind) == 0 {
		return err
	}
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // nothing is left to undo after the commit
	for _, ref := range behind {
		// Whoever would write a later revision waits from here on.
		c, err := scanCycle(tx.QueryRowContext(ctx, `UPDATE cycle SET listed = revision WHERE bench=$1 AND id=$2 AND listed < revision
			RETURNING (SELECT payload FROM result r WHERE r.stream = cycle.stream AND r.seq = cycle.seq)`, ref.Bench, ref.ID))
		if errors.Is(err, sql.ErrNoRows) {
			continue // another has just listed it
		}
		if err != nil {
			return err
		}
		if err := s.list(ctx, tx, []*protocol.Cycle{c}); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// behind returns the cycles that are not listed in their latest revision.
func (s *Store) behind(ctx context.Context) ([]CycleRef, error) {
	rows, err := s.db.QueryContext(ctx, "SELECT bench, id FROM cycle WHERE listed < revision")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []CycleRef
	for rows.Next() {
		var ref CycleRef
		if err := rows.Scan(&ref.Bench, &ref.ID); err != nil {
			return nil, err
		}
		out = append(out, ref)
	}
	slices.SortFunc(out, CycleRef.compare) // as indexCycles has them: none waits for another for ever
	return out, rows.Err()
}

func (r CycleRef) compare(b CycleRef) int {
	return cmp.Or(strings.Compare(r.Bench, b.Bench), strings.Compare(r.ID, b.ID))
}

// cycleRows adds what a cycle is looked up by.
func cycleRows(c *protocol.Cycle, slots, transitions *table) {
	for i := range c.Slots {
		s := &c.Slots[i]
		slots.row(c.Bench, c.ID, s.Slot, orNull(s.Legend), string(s.Behaviour), number(s.StaysOnS), s.OffInStart, float64(s.WatchedS), lowest(s))
		for j := range s.Leads {
			for _, t := range s.Leads[j].Transitions {
				transitions.row(c.Bench, c.ID, s.Slot, s.Leads[j].Lead, t.ID, string(t.State), afterKeyOn(c, t.AtNS), float64(t.UUS))
			}
		}
	}
}

func number[T ~float64](v *T) any {
	if v == nil {
		return nil
	}
	return float64(*v)
}

// lowest is the lowest voltage of a slot while cranking; nil where none was measured.
func lowest(s *protocol.CycleSlot) any {
	var least *protocol.Volts
	for i := range s.Leads {
		for k := range s.Leads[i].Crank {
			if sag := s.Leads[i].Crank[k].Sag; sag != nil && (least == nil || sag.MinV < *least) {
				least = &sag.MinV
			}
		}
	}
	return number(least)
}

// afterKeyOn is an instant in seconds after the first position other than off.
func afterKeyOn(c *protocol.Cycle, atNS int64) any {
	if len(c.Key) == 0 {
		return nil
	}
	return float64(atNS-c.Key[0].AtNS) / 1e9
}
