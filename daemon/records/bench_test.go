package records

import (
	"context"
	"database/sql"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"keyturn/daemon/records/recordstest"
)

// batchOf is how many results the record keeper puts into the records at once.
const batchOf = 64

// BenchmarkAdd keeps whole key cycles of many benches, in the batches of the record
// keeper, beside the bare driver: the same payloads as rows of one table with the
// same key, in one statement and one transaction a batch, as safely on the disk.
func BenchmarkAdd(b *testing.B) {
	for _, kind := range []string{"sqlite", "postgres"} {
		b.Run(kind, func(b *testing.B) {
			url := filepath.Join(b.TempDir(), "records.db")
			other := filepath.Join(b.TempDir(), "bare.db")
			if kind == "postgres" {
				url = recordstest.Postgres(b)
				other = url
			}
			s, err := Open(context.Background(), Options{URL: url})
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close()
			driver, source := driverOf(other)
			db, err := sql.Open(driver, source)
			if err != nil {
				b.Fatal(err)
			}
			defer db.Close()
			if _, err := db.Exec("CREATE TABLE bare (stream TEXT NOT NULL, seq BIGINT NOT NULL, payload TEXT NOT NULL, PRIMARY KEY (stream, seq))"); err != nil {
				b.Fatal(err)
			}
			bare := table{"INSERT INTO bare (stream, seq, payload) VALUES", 3, "", nil}
			text := s.statement(&bare, batchOf)
			benches, err := recordstest.LoadBenches()
			if err != nil {
				b.Fatal(err)
			}
			var ours, theirs time.Duration
			n := 0
			for b.Loop() {
				batch, values := make([][]byte, batchOf), make([]any, 0, 3*batchOf)
				for i := range batch { // of 50 benches in turn
					name, seq := "bench-"+strconv.Itoa(n%50), int64(n/50+1)
					_, batch[i] = benches.Result(name, seq)
					values = append(values, name, seq, string(batch[i]))
					n++
				}
				began := time.Now()
				if a, err := s.Add(context.Background(), batch...); err != nil || a.New != batchOf {
					b.Fatalf("%+v, %v", a, err)
				}
				between := time.Now()
				if err := insertBare(db, text, values); err != nil {
					b.Fatal(err)
				}
				ours, theirs = ours+between.Sub(began), theirs+time.Since(between)
			}
			b.ReportMetric(float64(n)/ours.Seconds(), "documents/s")
			b.ReportMetric(float64(n)/theirs.Seconds(), "bare-documents/s")
			b.ReportMetric(theirs.Seconds()/ours.Seconds(), "of-bare")
			b.ReportMetric(0, "ns/op") // half of it is the other's
		})
	}
}

// insertBare is the least that keeps payloads by stream and number.
func insertBare(db *sql.DB, text string, values []any) error {
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if _, err := tx.Exec(text, values...); err != nil {
		return err
	}
	return tx.Commit()
}
