package records

import (
	"cmp"
	"context"
	"database/sql"
	"maps"
	"slices"
	"strings"

	"keyturn/protocol"
)

// VerdictRef names the test of a fuse box.
type VerdictRef struct{ Bench, ID string }

func (r VerdictRef) compare(b VerdictRef) int {
	return cmp.Or(strings.Compare(r.Bench, b.Bench), strings.Compare(r.ID, b.ID))
}

// indexVerdicts makes each verdict the latest of its id, unless a higher revision is
// there, and writes what it is looked up by.
func (s *Store) indexVerdicts(ctx context.Context, tx *sql.Tx, added []came, arrived string) error {
	latest := latestVerdicts(added)
	t := table{"INSERT INTO verdict (bench, id, revision, final, box, outcome, of_tested, job, supersedes, stream, seq, wall, arrived) VALUES", 13,
		`ON CONFLICT (bench, id) DO UPDATE SET revision=excluded.revision, final=excluded.final, box=excluded.box, outcome=excluded.outcome,
			of_tested=excluded.of_tested, job=excluded.job, supersedes=excluded.supersedes, stream=excluded.stream, seq=excluded.seq, wall=excluded.wall
			WHERE verdict.revision < excluded.revision RETURNING bench, id`, nil}
	// All take them in one order, so that none waits for another for ever.
	for _, ref := range slices.SortedFunc(maps.Keys(latest), VerdictRef.compare) {
		v := latest[ref]
		t.row(v.Bench, v.ID, v.Revision, v.Final, v.Box, string(v.Outcome), string(v.OfTested), orNull(v.Job), orNull(v.Supersedes), v.Stream, v.Seq, orNull(v.Wall), arrived)
	}
	var written []*protocol.Verdict
	err := s.each(ctx, tx, &t, func(rows *sql.Rows) error {
		var ref VerdictRef
		err := rows.Scan(&ref.Bench, &ref.ID)
		if v := latest[ref]; v != nil {
			written = append(written, v)
		}
		return err
	})
	if err != nil {
		return err
	}
	return s.listVerdicts(ctx, tx, written)
}

// latestVerdicts are the verdicts among results, of each test the highest revision.
func latestVerdicts(added []came) map[VerdictRef]*protocol.Verdict {
	latest := map[VerdictRef]*protocol.Verdict{}
	for _, c := range added {
		v, ok := c.Result.(*protocol.Verdict)
		if !ok {
			continue
		}
		ref := VerdictRef{v.Bench, v.ID}
		if l := latest[ref]; l == nil || v.Revision > l.Revision || v.Revision == l.Revision && v.Seq < l.Seq {
			latest[ref] = v
		}
	}
	return latest
}

func (s *Store) listVerdicts(ctx context.Context, tx *sql.Tx, verdicts []*protocol.Verdict) error {
	noSlots := table{"DELETE FROM verdict_slot WHERE (bench, id) IN (VALUES", 2, ")", nil}
	noCycles := table{"DELETE FROM verdict_cycle WHERE (bench, id) IN (VALUES", 2, ")", nil}
	cycles := table{"INSERT INTO verdict_cycle (bench, id, cycle) VALUES", 3, "ON CONFLICT DO NOTHING", nil}
	slots := table{"INSERT INTO verdict_slot (bench, id, slot, legend, outcome, reason) VALUES", 6, "ON CONFLICT DO NOTHING", nil}
	for _, v := range verdicts {
		noSlots.row(v.Bench, v.ID)
		noCycles.row(v.Bench, v.ID)
		for _, id := range v.Cycles {
			cycles.row(v.Bench, v.ID, id)
		}
		for i := range v.Slots {
			x := &v.Slots[i]
			slots.row(v.Bench, v.ID, x.Slot, orNull(x.Legend), string(x.Outcome), x.Reasons[0].Reason)
		}
	}
	return s.all(ctx, tx, &noSlots, &noCycles, &slots, &cycles)
}
