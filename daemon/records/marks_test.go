package records

import (
	"context"
	"database/sql"
	"errors"
	"path/filepath"
	"testing"

	"keyturn/daemon/records/recordstest"
	"keyturn/protocol"
)

// Marks wait for a broker, over a restart too, and in the order of handing in;
// those of a sheet that is deleted wait no more.
func TestMarksWaitToBePublished(t *testing.T) {
	for _, kind := range []string{"sqlite", "postgres"} {
		s, ctx := open(t, kind), context.Background()
		waiting := func() (out []string) {
			t.Helper()
			all, err := s.Unpublished(ctx, 0)
			must(t, err)
			for _, m := range all {
				out = append(out, m.Sheet+" "+m.Exercise)
			}
			return out
		}
		marked := func(who, exercise string) string {
			t.Helper()
			a := handedIn(t, s, who)
			must(t, s.Mark(ctx, a, &protocol.Marks{Sheet: a.ID, Exercise: exercise}))
			return a.ID
		}
		must(t, s.AddUser(ctx, User{Name: "ada", Role: "instructor", Hash: "h", Key: "k1"}))
		must(t, s.AddUser(ctx, User{Name: "gus", Role: "apprentice", Hash: "h", Key: "k2"}))
		handedIn(t, s, "eve")
		cara, dan, gus := marked("cara", "first"), marked("dan", "second"), marked("gus", "third")
		must(t, s.Mark(ctx, handedIn(t, s, "fay"), nil)) // nothing of her is to be published
		if got := waiting(); len(got) != 3 || got[0] != cara+" first" || got[1] != dan+" second" || got[2] != gus+" third" {
			t.Errorf("%s: %q", kind, got)
		}
		if some, err := s.Unpublished(ctx, 1); err != nil || len(some) != 1 {
			t.Errorf("%s: %d of them at most 1, %v", kind, len(some), err)
		}
		must(t, s.Published(ctx, dan))
		must(t, s.DeleteUser(ctx, "gus", "instructor"))
		if err := s.Published(ctx, gus); !errors.Is(err, ErrNoSheet) {
			t.Errorf("%s: of a sheet that is deleted: %v", kind, err)
		}
		if got := waiting(); len(got) != 1 || got[0] != cara+" first" {
			t.Errorf("%s: after one was published and one deleted: %q", kind, got)
		}
	}
}

// Records of before have marks that were given; they are not published now.
func TestMarksOfBeforeAreNotPublished(t *testing.T) {
	for driver, url := range map[string]string{"sqlite": filepath.Join(t.TempDir(), "old.db"), "pgx": recordstest.Postgres(t)} { // each by itself
		ctx := context.Background()
		db, err := sql.Open(driver, url)
		must(t, err)
		_, err = db.ExecContext(ctx, "CREATE TABLE schema_version (version BIGINT NOT NULL)")
		must(t, err)
		const before = 6 // the version without them
		for v := range before {
			must(t, step(ctx, db, steps()[v], v+1))
		}
		_, err = db.ExecContext(ctx, "INSERT INTO sitting VALUES (1,'by-key','What follows the key','','','bench-1','2026-03-02T09:00:00Z','ada','')")
		must(t, err)
		_, err = db.ExecContext(ctx, `INSERT INTO answer_sheet VALUES ('a-1',1,'cara',1,'2026-03-02T09:00:00Z','2026-03-02T09:00:00Z','','[]','2026-03-02T09:00:00Z',
			'bench-1','0123abcd-1','2026-03-02T09:00:00Z',1.5,4,0,0,'','')`)
		must(t, err)
		must(t, db.Close())
		s, err := Open(ctx, Options{URL: url})
		must(t, err)
		if a, err := s.AnswerSheet(ctx, "a-1"); err != nil || a.Got != 1.5 {
			t.Errorf("%s: %+v, %v", driver, a, err)
		}
		if all, err := s.Unpublished(ctx, 0); err != nil || len(all) != 0 {
			t.Errorf("%s: %d, %v", driver, len(all), err)
		}
		must(t, s.Close())
	}
}
