package records

import (
	"context"
	"database/sql"
	"fmt"
)

// steps bring the tables from each version to the next; the first makes them. A step
// that was released is never changed. The statements are the same for both databases:
// numbers are BIGINT, documents and times TEXT as they came.
//
// The views are for spreadsheets: slots holds a line a slot and key cycle, transitions
// a line a transition. Their columns stay.
func steps() [][]string {
	return [][]string{{
		`CREATE TABLE result (
			stream TEXT NOT NULL, seq BIGINT NOT NULL, bench TEXT NOT NULL, name TEXT NOT NULL,
			boot TEXT NOT NULL, mono_ns BIGINT NOT NULL, wall TEXT, arrived TEXT NOT NULL, payload TEXT NOT NULL,
			PRIMARY KEY (stream, seq))`,
		`CREATE INDEX result_by_bench ON result (bench, name, arrived)`,
		`CREATE TABLE stream (stream TEXT PRIMARY KEY, bench TEXT NOT NULL, up_to_seq BIGINT NOT NULL)`,
		`CREATE TABLE gap (stream TEXT NOT NULL, from_seq BIGINT NOT NULL, to_seq BIGINT NOT NULL, PRIMARY KEY (stream, from_seq, to_seq))`,
		`CREATE TABLE cycle (
			bench TEXT NOT NULL, id TEXT NOT NULL, revision BIGINT NOT NULL, final BOOLEAN NOT NULL, ended TEXT,
			stream TEXT NOT NULL, seq BIGINT NOT NULL, wall TEXT, arrived TEXT NOT NULL,
			PRIMARY KEY (bench, id))`,
		`CREATE INDEX cycle_by_arrival ON cycle (arrived, bench, id)`,
		`CREATE TABLE slot (
			bench TEXT NOT NULL, id TEXT NOT NULL, slot TEXT NOT NULL, legend TEXT, behaviour TEXT NOT NULL,
			stays_on_s DOUBLE PRECISION, off_in_start BOOLEAN, watched_s DOUBLE PRECISION NOT NULL, lowest_v DOUBLE PRECISION,
			PRIMARY KEY (bench, id, slot))`,
		`CREATE INDEX slot_by_behaviour ON slot (behaviour, slot)`,
		`CREATE TABLE transition (
			bench TEXT NOT NULL, id TEXT NOT NULL, slot TEXT NOT NULL, lead TEXT NOT NULL, transition TEXT NOT NULL,
			state TEXT NOT NULL, after_key_on_s DOUBLE PRECISION, u_us DOUBLE PRECISION NOT NULL,
			PRIMARY KEY (bench, id, slot, lead, transition))`,
		`CREATE VIEW slots AS SELECT c.bench, c.id AS cycle, c.wall, c.final, s.slot, s.legend, s.behaviour, s.stays_on_s,
			s.off_in_start, s.watched_s, s.lowest_v FROM cycle c JOIN slot s ON s.bench = c.bench AND s.id = c.id`,
		`CREATE VIEW transitions AS SELECT c.bench, c.id AS cycle, c.wall, t.slot, t.lead, t.state, t.after_key_on_s, t.u_us
			FROM cycle c JOIN transition t ON t.bench = c.bench AND t.id = c.id`,
	}, userTables(), jobTables(), listedColumn(), sittingTables(), verdictTables(), marksColumns()}
}

// listedColumn is the revision of a cycle that its slots and transitions are of: 0 or an
// earlier one while it is not final and nobody has looked for them.
func listedColumn() []string {
	return []string{
		"ALTER TABLE cycle ADD COLUMN listed BIGINT NOT NULL DEFAULT 0",
		"UPDATE cycle SET listed = revision",
		"CREATE INDEX cycle_behind ON cycle (bench, id) WHERE listed < revision",
	}
}

// migrate brings the tables up to date, a step a transaction.
func migrate(ctx context.Context, db *sql.DB) error {
	if _, err := db.ExecContext(ctx, "CREATE TABLE IF NOT EXISTS schema_version (version BIGINT NOT NULL)"); err != nil {
		return fmt.Errorf("read the version of the records: %w", err)
	}
	var have int
	if err := db.QueryRowContext(ctx, "SELECT coalesce(max(version),0) FROM schema_version").Scan(&have); err != nil {
		return fmt.Errorf("read the version of the records: %w", err)
	}
	all := steps()
	if have > len(all) {
		return fmt.Errorf("the records are of version %d, this program knows %d: use the later program", have, len(all))
	}
	for v := have; v < len(all); v++ {
		if err := step(ctx, db, all[v], v+1); err != nil {
			return fmt.Errorf("bring the records to version %d: %w", v+1, err)
		}
	}
	return nil
}

func step(ctx context.Context, db *sql.DB, statements []string, version int) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // nothing is left to undo after the commit
	for _, s := range statements {
		if _, err := tx.ExecContext(ctx, s); err != nil {
			return err
		}
	}
	if _, err := tx.ExecContext(ctx, "INSERT INTO schema_version VALUES ($1)", version); err != nil {
		return err
	}
	return tx.Commit()
}
