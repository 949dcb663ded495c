package records

// verdictTables are the step that made the tests of fuse boxes. Their documents are in
// table result with all others; of each the highest revision counts.
//
// The view verdicts is for spreadsheets: a line a slot, its reason the weightiest.
func verdictTables() []string {
	return []string{
		`CREATE TABLE verdict (
			bench TEXT NOT NULL, id TEXT NOT NULL, revision BIGINT NOT NULL, final BOOLEAN NOT NULL, box TEXT NOT NULL,
			outcome TEXT NOT NULL, of_tested TEXT NOT NULL, job TEXT, supersedes TEXT,
			stream TEXT NOT NULL, seq BIGINT NOT NULL, wall TEXT, arrived TEXT NOT NULL,
			PRIMARY KEY (bench, id))`,
		`CREATE INDEX verdict_by_arrival ON verdict (arrived, bench, id)`,
		`CREATE INDEX verdict_by_box ON verdict (box, arrived, bench, id)`,
		`CREATE INDEX verdict_by_superseded ON verdict (bench, supersedes)`,
		`CREATE TABLE verdict_slot (
			bench TEXT NOT NULL, id TEXT NOT NULL, slot TEXT NOT NULL, legend TEXT, outcome TEXT NOT NULL, reason TEXT NOT NULL,
			PRIMARY KEY (bench, id, slot))`,
		`CREATE INDEX verdict_slot_by_outcome ON verdict_slot (outcome, slot)`,
		`CREATE TABLE verdict_cycle (bench TEXT NOT NULL, id TEXT NOT NULL, cycle TEXT NOT NULL, PRIMARY KEY (bench, id, cycle))`,
		`CREATE INDEX verdict_cycle_by_cycle ON verdict_cycle (bench, cycle)`,
		`CREATE VIEW verdicts AS SELECT v.bench, v.id AS test, v.wall, v.final, v.box, s.slot, s.legend, s.outcome, s.reason
			FROM verdict v JOIN verdict_slot s ON s.bench = v.bench AND s.id = v.id`,
	}
}
