package records

// jobTables are the step that made jobs. A text that is not there is empty and a number
// that is not there 0, so that they read the same from both databases; the view shows
// nothing for them. The columns named plain_ are what is compared: see plain.
//
// Photos are kept in the database and not as files beside it, so that one backup holds
// a job whole, one transaction deletes it whole, and keepers on several machines share
// it. They are in a table of their own, for nothing else reads so much.
//
// The view jobs is for spreadsheets: a line a fitting, and one for a job without any.
func jobTables() []string {
	const item = "job BIGINT NOT NULL REFERENCES job (number) ON DELETE CASCADE, id BIGINT NOT NULL, at TEXT NOT NULL, by_whom TEXT NOT NULL, "
	return []string{
		`CREATE TABLE counter (name TEXT PRIMARY KEY, latest BIGINT NOT NULL)`,
		`INSERT INTO counter VALUES ('job', 0), ('item', 0)`,
		`CREATE TABLE job (
			number BIGINT PRIMARY KEY, kind TEXT NOT NULL, registration TEXT NOT NULL, vin TEXT NOT NULL,
			mileage BIGINT NOT NULL, mileage_unit TEXT NOT NULL, model TEXT NOT NULL, year BIGINT NOT NULL,
			box_serial TEXT NOT NULL, box_part TEXT NOT NULL,
			opened TEXT NOT NULL, opened_by TEXT NOT NULL, closed TEXT NOT NULL, closed_by TEXT NOT NULL,
			plain_registration TEXT NOT NULL, plain_model TEXT NOT NULL, plain_serial TEXT NOT NULL, plain_part TEXT NOT NULL,
			search TEXT NOT NULL)`,
		`CREATE INDEX job_by_registration ON job (plain_registration)`,
		`CREATE INDEX job_by_vin ON job (vin)`,
		`CREATE INDEX job_by_serial ON job (plain_serial)`,
		`CREATE INDEX job_by_model ON job (plain_model, year)`,
		`CREATE INDEX job_by_part ON job (plain_part)`,
		`CREATE INDEX job_by_year ON job (year)`,
		`CREATE TABLE job_cycle (
			job BIGINT NOT NULL REFERENCES job (number) ON DELETE CASCADE, bench TEXT NOT NULL, id TEXT NOT NULL,
			phase TEXT NOT NULL, at TEXT NOT NULL, by_whom TEXT NOT NULL, PRIMARY KEY (job, bench, id))`,
		`CREATE INDEX job_cycle_by_cycle ON job_cycle (bench, id)`,
		`CREATE TABLE job_fitting (` + item + `accessory TEXT NOT NULL, slot TEXT NOT NULL, feed_side TEXT NOT NULL,
			original_fuse_a DOUBLE PRECISION NOT NULL, added_fuse_a DOUBLE PRECISION NOT NULL, wire_mm2 DOUBLE PRECISION NOT NULL,
			earth_point TEXT NOT NULL, cable_route TEXT NOT NULL, fitted_by TEXT NOT NULL, fitted_on TEXT NOT NULL, PRIMARY KEY (job, id))`,
		`CREATE TABLE job_code (` + item + `phase TEXT NOT NULL, code TEXT NOT NULL, text TEXT NOT NULL, PRIMARY KEY (job, id))`,
		`CREATE TABLE job_note (` + item + `text TEXT NOT NULL, PRIMARY KEY (job, id))`,
		`CREATE TABLE job_photo (` + item + `caption TEXT NOT NULL, width BIGINT NOT NULL, height BIGINT NOT NULL,
			small BYTEA NOT NULL, jpeg BYTEA NOT NULL, PRIMARY KEY (job, id))`,
		`CREATE INDEX cycle_by_bench ON cycle (bench, arrived, id)`,
		`CREATE VIEW jobs AS SELECT j.number AS job, j.kind, j.opened, j.opened_by, j.closed, j.closed_by, j.registration, j.vin,
			nullif(j.mileage, 0) AS mileage, j.mileage_unit, j.model, nullif(j.year, 0) AS year, j.box_serial, j.box_part,
			f.accessory, f.slot, f.feed_side, nullif(f.original_fuse_a, 0) AS original_fuse_a, nullif(f.added_fuse_a, 0) AS added_fuse_a,
			nullif(f.wire_mm2, 0) AS wire_mm2, f.earth_point, f.cable_route, f.fitted_by, f.fitted_on
			FROM job j LEFT JOIN job_fitting f ON f.job = j.number`,
	}
}
