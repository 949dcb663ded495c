package records

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"keyturn/daemon/records/recordstest"
	"keyturn/protocol"
)

func van() Job {
	return Job{Kind: VehicleJob, Registration: "KT 12-ABC", Mileage: 48210, MileageUnit: Kilometres, Model: "Marlow Carrier 2", Year: 2019, Part: "FB-204"}
}

func dashcam(job int64) Fitting {
	return Fitting{Job: job, Accessory: "Dash camera", Slot: "f18", FeedSide: "left", OriginalFuseA: 10, AddedFuseA: 2, WireMM2: 0.75,
		EarthPoint: "M6 stud behind the kick panel", CableRoute: "up the left A pillar, behind the lining", FittedBy: "R. Okafor", FittedOn: "2026-03-04"}
}

func openJob(t testing.TB, s *Store, j Job) int64 {
	t.Helper()
	n, err := s.OpenJob(context.Background(), j, "ann")
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// A job from its opening to its deletion; what it holds comes back as it was given, and
// numbers are not given twice.
func TestLifeOfAJob(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := context.Background()
		at := time.Date(2026, 3, 4, 10, 30, 0, 500, time.UTC)
		s.now = func() time.Time { return at }
		add(t, s, encode(t, cycle(1, "1", 1, true, protocol.Permanent)), encode(t, cycle(2, "2", 1, true, protocol.Ignition)))
		n := openJob(t, s, van())
		must(t, s.PutCycle(ctx, JobCycle{CycleRef: CycleRef{"bench-1", "0123abcd-1"}, Job: n, Phase: Removed}, "ann"))
		must(t, s.PutCycle(ctx, JobCycle{CycleRef: CycleRef{"bench-1", "0123abcd-1"}, Job: n, Phase: Before}, "bo")) // it was a slip
		must(t, s.PutCycle(ctx, JobCycle{CycleRef: CycleRef{"bench-1", "0123abcd-2"}, Job: n, Phase: Fitted}, "ann"))
		must(t, s.PutFitting(ctx, dashcam(n), "ann"))
		must(t, s.AddCodes(ctx, n, ReadCodes(Before, "c0123-1a  brake lamp \n\nbattery light was on"), "ann"))
		must(t, s.AddNote(ctx, JobNote{Job: n, Text: "Two lines\nof a note"}, "ann"))
		must(t, s.AddPhoto(ctx, Photo{Job: n, Caption: "The stud", Width: 1600, Height: 1200}, []byte("\xff\xd8large\x00"), []byte("\xff\xd8small"), "ann"))
		f, err := s.Job(ctx, n)
		must(t, err)
		want := van()
		want.Number, want.Opened, want.OpenedBy = n, at, "ann"
		if f.Job != want {
			t.Errorf("%+v\nwant %+v", f.Job, want)
		}
		if len(f.Cycles) != 2 || f.Cycles[0].Phase != Fitted || f.Cycles[1].Phase != Before || f.Cycles[1].By != "bo" || !f.Cycles[1].Put.Equal(at) {
			t.Errorf("cycles: %+v", f.Cycles)
		}
		fit := dashcam(n)
		fit.ID = f.Fittings[0].ID
		if len(f.Fittings) != 1 || f.Fittings[0] != fit {
			t.Errorf("fittings: %+v", f.Fittings)
		}
		if len(f.Codes) != 2 || f.Codes[0].Code != "C0123-1A" || f.Codes[0].Text != "brake lamp" || f.Codes[1].Code != "" || f.Codes[1].Text != "battery light was on" {
			t.Errorf("codes: %+v", f.Codes)
		}
		if len(f.Notes) != 1 || f.Notes[0].Text != "Two lines\nof a note" || f.Notes[0].By != "ann" {
			t.Errorf("notes: %+v", f.Notes)
		}
		for small, want := range map[bool]string{false: "\xff\xd8large\x00", true: "\xff\xd8small"} { // each by itself
			if b, err := s.PhotoJPEG(ctx, n, f.Photos[0].ID, small); err != nil || string(b) != want {
				t.Errorf("photo: %v, %q", err, b)
			}
		}
		if got, err := s.JobsOfCycle(ctx, CycleRef{"bench-1", "0123abcd-2"}); err != nil || len(got) != 1 || got[0].Job != n || got[0].Phase != Fitted {
			t.Errorf("jobs of a cycle: %v, %+v", err, got)
		}

		fit.EarthPoint = "another stud"
		must(t, s.PutFitting(ctx, fit, "bo"))
		must(t, s.DropCycle(ctx, n, CycleRef{"bench-1", "0123abcd-2"}))
		must(t, s.DeleteItem(ctx, n, CodeItem, f.Codes[1].ID))
		must(t, s.DeleteItem(ctx, n, NoteItem, f.Notes[0].ID))
		want.Mileage = 48999
		must(t, s.UpdateJob(ctx, want))
		must(t, s.CloseJob(ctx, n, true, "bo"))
		if err := s.CloseJob(ctx, n, true, "cy"); !errors.Is(err, ErrNoJob) {
			t.Errorf("closed twice: %v", err)
		}
		if f, err = s.Job(ctx, n); err != nil || f.Mileage != 48999 || f.ClosedBy != "bo" || !f.Closed.Equal(at) || len(f.Cycles) != 1 || len(f.Codes) != 1 || len(f.Notes) != 0 ||
			len(f.Fittings) != 1 || f.Fittings[0] != fit {
			t.Errorf("%v, %+v", err, f)
		}
		must(t, s.CloseJob(ctx, n, false, "bo"))
		if f, err = s.Job(ctx, n); err != nil || !f.Closed.IsZero() || f.ClosedBy != "" {
			t.Errorf("opened again: %v, %+v", err, f.Job)
		}

		must(t, s.DeleteJob(ctx, n))
		for _, err := range []error{s.DeleteJob(ctx, n), s.UpdateJob(ctx, want), s.CloseJob(ctx, n, true, ""), s.PutFitting(ctx, dashcam(n), ""), s.AddNote(ctx, JobNote{Job: n, Text: "x"}, ""),
			s.DropCycle(ctx, n, CycleRef{"bench-1", "0123abcd-1"}), s.DeleteItem(ctx, n, FittingItem, fit.ID), s.PutCycle(ctx, JobCycle{CycleRef{"bench-1", "0123abcd-1"}, n, Before, at, ""}, "")} {
			if !errors.Is(err, ErrNoJob) {
				t.Errorf("a job that was deleted: %v", err)
			}
		}
		for _, table := range []string{"job", "job_cycle", "job_fitting", "job_code", "job_note", "job_photo"} {
			var left int
			if err := s.db.QueryRow("SELECT count(*) FROM " + table).Scan(&left); err != nil || left != 0 {
				t.Errorf("%s: %v, %d left", table, err, left)
			}
		}
		if again := openJob(t, s, van()); again != n+1 {
			t.Errorf("the next job is number %d, want %d", again, n+1)
		}
		if _, err := s.Cycle(ctx, "bench-1", "0123abcd-1"); err != nil {
			t.Errorf("the key cycle went with the job: %v", err)
		}
	})
}

// What is not there is said, what cannot be is refused by its name, and a list does not
// grow without end.
func TestJobsRefuse(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := context.Background()
		n := openJob(t, s, van())
		if err := s.PutCycle(ctx, JobCycle{CycleRef: CycleRef{"bench-1", "none"}, Job: n, Phase: Before}, ""); !errors.Is(err, ErrNone) {
			t.Errorf("a cycle that is not there: %v", err)
		}
		if err := s.DeleteItem(ctx, n, "cycle; DROP TABLE job", 1); !errors.Is(err, ErrNoJob) {
			t.Errorf("a list that is none: %v", err)
		}
		if _, err := s.PhotoJPEG(ctx, n, 1, true); !errors.Is(err, ErrNoJob) {
			t.Errorf("a photo that is not there: %v", err)
		}
		if err := s.AddPhoto(ctx, Photo{Job: n}, make([]byte, PhotoBytesMost), []byte{1}, ""); err == nil {
			t.Error("a photo that is too large was kept")
		}
		fields := func(err error) (out []string) {
			var f Faults
			if !errors.As(err, &f) {
				t.Errorf("no faults but %v", err)
			}
			for _, x := range f {
				out = append(out, x.Field)
			}
			return out
		}
		long := strings.Repeat("x", JobNoteMax+1)
		for _, c := range []struct {
			name string
			err  error
			want []string
		}{
			{"empty", (&Job{}).Check(), []string{"Kind"}},
			{"vehicle", (&Job{Kind: VehicleJob, Registration: " - ", Mileage: -1, Year: 7, Serial: "s"}).Check(), []string{"Registration", "Serial", "Mileage", "MileageUnit", "Year"}},
			{"box", (&Job{Kind: BoxJob, VIN: "x"}).Check(), []string{"Serial", "Registration", "VIN"}},
			{"texts", (&Job{Kind: VehicleJob, Registration: long, Model: "a\x00b", Part: "\xff"}).Check(), []string{"Registration", "Model", "Part"}},
			{"bidi", (&Job{Kind: BoxJob, Serial: "a\u202eb", Model: "two\nlines"}).Check(), []string{"Model", "Serial"}},
			{"fitting", s.PutFitting(ctx, Fitting{Job: n, Slot: "../x", FeedSide: "top", OriginalFuseA: -1, AddedFuseA: 1e9, WireMM2: 121, EarthPoint: long, CableRoute: "a\nb", FittedBy: "\x1b[2J", FittedOn: "31.1.2026"}, ""),
				[]string{"Accessory", "Slot", "FeedSide", "OriginalFuseA", "AddedFuseA", "WireMM2", "EarthPoint", "CableRoute", "FittedBy", "FittedOn"}},
			{"no codes", s.AddCodes(ctx, n, ReadCodes(Before, " \n"), ""), []string{"Codes"}},
			{"many codes", s.AddCodes(ctx, n, ReadCodes(Before, strings.Repeat("P0001\n", CodesMost+1)), ""), []string{"Codes"}},
			{"code phase", s.AddCodes(ctx, n, ReadCodes(Fitted, "P0001"), ""), []string{"Phase"}},
			{"long code", s.AddCodes(ctx, n, ReadCodes(After, "P0001\n"+long), ""), []string{"Codes"}},
			{"note", s.AddNote(ctx, JobNote{Job: n, Text: " \n "}, ""), []string{"Text"}},
			{"long note", s.AddNote(ctx, JobNote{Job: n, Text: long}, ""), []string{"Text"}},
			{"caption", s.AddPhoto(ctx, Photo{Job: n, Caption: long}, []byte{1}, []byte{1}, ""), []string{"Caption"}},
			{"phase", s.PutCycle(ctx, JobCycle{Job: n, Phase: After}, ""), []string{"Phase"}},
		} {
			if got := fields(c.err); !slices.Equal(got, c.want) {
				t.Errorf("%s: faults at %v, want %v", c.name, got, c.want)
			}
		}
		for range JobItemsMost {
			must(t, s.AddNote(ctx, JobNote{Job: n, Text: "x"}, ""))
		}
		if err := s.AddNote(ctx, JobNote{Job: n, Text: "x"}, ""); !errors.Is(err, ErrFull) {
			t.Errorf("one note too many: %v", err)
		}
		if f, err := s.Job(ctx, n); err != nil || len(f.Notes) != JobItemsMost || len(f.Fittings) != 0 {
			t.Errorf("%v, %d notes, %d fittings", err, len(f.Notes), len(f.Fittings))
		}
		quote := van()
		quote.Model = `Robert'); DROP TABLE job;-- % _ \`
		q := openJob(t, s, quote)
		if f, err := s.Job(ctx, q); err != nil || f.Model != quote.Model {
			t.Errorf("%v, %q", err, f.Model)
		}
	})
}

// A vehicle or a box that comes again is known, a plate that has moved to another
// vehicle is not taken for it.
func TestJobsAreFoundAgain(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := context.Background()
		vin := func(j Job, v string) Job { j.VIN = v; return j }
		one, two := "WKT11111111111111", "WKT22222222222222"
		a := openJob(t, s, vin(van(), one))
		b := openJob(t, s, vin(Job{Kind: VehicleJob, Registration: "NEW 1"}, one))
		c := openJob(t, s, vin(van(), two))
		d := openJob(t, s, van())
		box := openJob(t, s, Job{Kind: BoxJob, Serial: "SN 0042", Part: "fb204"})
		boxAgain := openJob(t, s, Job{Kind: BoxJob, Serial: "sn-0042"})
		for job, want := range map[int64][]int64{a: nil, b: {a}, c: nil, d: {c, a}, box: nil, boxAgain: {box}} { // each by itself
			f, err := s.Job(ctx, job)
			must(t, err)
			got, err := s.EarlierJobs(ctx, f.Job)
			if err != nil || !slices.Equal(numbers(got), want) {
				t.Errorf("before job %d: %v, %v, want %v", job, err, numbers(got), want)
			}
		}
		must(t, s.CloseJob(ctx, a, true, ""))
		for _, x := range []struct {
			f    JobFilter
			want []int64
		}{
			{JobFilter{}, []int64{boxAgain, box, d, c, b, a}}, {JobFilter{Open: true, Limit: 3}, []int64{boxAgain, box, d}}, {JobFilter{Before: c}, []int64{b, a}},
			{JobFilter{Text: "kt12 marlow", Open: true}, []int64{d, c}}, {JobFilter{Text: "2222222"}, []int64{c}}, {JobFilter{Text: "SN-0042"}, []int64{boxAgain, box}},
			{JobFilter{Text: "2019 carrier"}, []int64{d, c, a}}, {JobFilter{Text: "FB 204"}, []int64{box, d, c, a}}, {JobFilter{Text: "%"}, []int64{boxAgain, box, d, c, b, a}},
			{JobFilter{Text: "nobody's"}, nil}, {JobFilter{Text: strings.Repeat("zz\x00 \xff", 9)}, nil},
		} {
			if got, err := s.Jobs(ctx, x.f); err != nil || !slices.Equal(numbers(got), x.want) {
				t.Errorf("%+v: %v, %v, want %v", x.f, err, numbers(got), x.want)
			}
		}
		models, parts, err := s.Models(ctx)
		if err != nil || !slices.Equal(models, []string{"Marlow Carrier 2"}) || len(parts) != 1 {
			t.Errorf("%v, %q, %q", err, models, parts)
		}
	})
}

func numbers(jobs []Job) (out []int64) {
	for _, j := range jobs {
		out = append(out, j.Number)
	}
	return out
}

// What was fitted on a model before, with the key cycle from before it was fitted.
func TestLastTimeOnAModel(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := context.Background()
		for i := range int64(4) {
			add(t, s, encode(t, cycle(i+1, fmt.Sprint(i+1), 1, true, protocol.Permanent)))
		}
		first, second, other := openJob(t, s, van()), openJob(t, s, van()), openJob(t, s, Job{Kind: VehicleJob, Registration: "X 1", Model: "Other"})
		for i, phase := range []Phase{Before, Before, Fitted, Removed} {
			must(t, s.PutCycle(ctx, JobCycle{CycleRef: CycleRef{"bench-1", fmt.Sprintf("0123abcd-%d", i+1)}, Job: first, Phase: phase}, ""))
		}
		for _, n := range []int64{first, second, other} {
			must(t, s.PutFitting(ctx, dashcam(n), ""))
		}
		got, err := s.OnModel(ctx, "marlow carrier-2", second, 5)
		if err != nil || len(got) != 1 || got[0].Job != first || got[0].FeedSide != "left" || got[0].Year != 2019 || got[0].Cycle != (CycleRef{"bench-1", "0123abcd-2"}) {
			t.Errorf("%v, %+v", err, got)
		}
		if got, err := s.OnModel(ctx, "Marlow Carrier 2", 0, 5); err != nil || len(got) != 2 || got[0].Job != second || got[0].Cycle != (CycleRef{}) {
			t.Errorf("%v, %+v", err, got)
		}
		if got, err := s.OnModel(ctx, " ", 0, 5); err != nil || len(got) != 0 {
			t.Errorf("no model: %v, %+v", err, got)
		}
	})
}

// The history is found by what its jobs say, and by the days of arrival, page by page.
func TestHistoryByJob(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		ctx := context.Background()
		day := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
		for i := range int64(8) {
			s.now = func() time.Time { return day.AddDate(0, 0, int(i)) }
			add(t, s, encode(t, cycle(i+1, fmt.Sprint(i+1), 1, true, protocol.Permanent)))
		}
		a, b := openJob(t, s, van()), openJob(t, s, Job{Kind: BoxJob, Serial: "7", Model: "Other", Year: 2019, Part: "FB 204"})
		for i := range 6 {
			must(t, s.PutCycle(ctx, JobCycle{CycleRef: CycleRef{"bench-1", fmt.Sprintf("0123abcd-%d", i+1)}, Job: []int64{a, b}[i%2], Phase: Before}, ""))
		}
		must(t, s.PutCycle(ctx, JobCycle{CycleRef: CycleRef{"bench-1", "0123abcd-1"}, Job: b, Phase: Before}, "")) // in two jobs, found once
		for _, x := range []struct {
			f    Filter
			want string
		}{
			{Filter{Job: a}, "5 3 1"}, {Filter{Job: b}, "6 4 2 1"}, {Filter{Model: "MARLOW carrier 2"}, "5 3 1"}, {Filter{Model: "none"}, ""},
			{Filter{Year: 2019}, "6 5 4 3 2 1"}, {Filter{Part: "fb-204", Slot: "f18", Behaviour: protocol.Permanent, Bench: "bench-1"}, "6 5 4 3 2 1"},
			{Filter{Part: "fb-204", Slot: "f19"}, ""}, {Filter{Model: "Other", Year: 2018}, ""},
			{Filter{From: day.AddDate(0, 0, 2), To: day.AddDate(0, 0, 4)}, "4 3"}, {Filter{From: day.AddDate(0, 0, 6)}, "8 7"}, {Filter{Job: a, To: day.Add(time.Nanosecond)}, "1"},
		} {
			x.f.Limit = 2
			var got []string
			for {
				page, err := s.Cycles(ctx, x.f)
				must(t, err)
				if len(page) == 0 {
					break
				}
				for _, c := range page {
					got = append(got, strings.TrimPrefix(c.ID, "0123abcd-"))
				}
				x.f.Before = CycleRef{"bench-1", page[len(page)-1].ID}
			}
			if strings.Join(got, " ") != x.want {
				t.Errorf("%+v: %v, want %s", x.f, got, x.want)
			}
		}
	})
}

// No table is read from end to end for the history or an earlier job, but for the walk
// from the latest key cycle on.
func TestHistoryUsesIndexes(t *testing.T) {
	s := open(t, "sqlite")
	plan := func(text string, args ...any) string {
		lines, err := rows(context.Background(), s, func(row scanner) (string, error) {
			var id, parent, unused int
			var detail string
			err := row.Scan(&id, &parent, &unused, &detail)
			return detail, err
		}, "EXPLAIN QUERY PLAN "+text, args...)
		must(t, err)
		return strings.Join(lines, "\n")
	}
	for _, c := range []struct {
		f    Filter
		want string
	}{
		{Filter{Slot: "f18"}, "SCAN c USING INDEX cycle_by_arrival"}, {Filter{Bench: "b"}, "SEARCH c USING INDEX cycle_by_bench (bench=?)"},
		{Filter{From: time.Unix(0, 0), To: time.Unix(1, 0)}, "SEARCH c USING INDEX cycle_by_arrival (arrived>? AND arrived<?)"},
		{Filter{Job: 1}, "SEARCH jc USING COVERING INDEX"}, {Filter{Model: "m", Slot: "f18", Before: CycleRef{"b", "c"}}, "job_by_model (plain_model=?)"},
		{Filter{Model: "m", Year: 2019, Bench: "b"}, "job_by_model (plain_model=? AND year=?)"}, {Filter{Part: "p"}, "job_by_part (plain_part=?)"}, {Filter{Year: 2019}, "job_by_year (year=?)"},
		{Filter{Verdict: protocol.OutcomeFail}, "verdict_slot_by_outcome (outcome=?)"},
	} {
		q := c.f.query()
		got := plan(q.text, q.args...)
		if !strings.Contains(got, c.want) {
			t.Errorf("%+v: no %q in\n%s", c.f, c.want, got)
		}
		for line := range strings.SplitSeq(got, "\n") {
			if strings.HasPrefix(line, "SCAN") && line != "SCAN c USING INDEX cycle_by_arrival" {
				t.Errorf("%+v: %s\n%s", c.f, line, got)
			}
			if strings.HasPrefix(line, "SCAN c") && (c.f.Job != 0 || c.f.Model != "" || c.f.Part != "" || c.f.Year != 0) {
				t.Errorf("%+v walks all key cycles:\n%s", c.f, got)
			}
		}
	}
}

// What is deleted is gone from the file, not only from the tables: it names people.
func TestDeletedJobLeavesTheFile(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "records.db")
	s, err := Open(ctx, Options{URL: path})
	must(t, err)
	j := van()
	j.Registration = "ZZTELLTALE"
	n := openJob(t, s, j)
	must(t, s.AddNote(ctx, JobNote{Job: n, Text: "ZZTELLTALE"}, "ZZTELLTALE"))
	must(t, s.AddPhoto(ctx, Photo{Job: n, Caption: "ZZTELLTALE"}, bytes.Repeat([]byte("ZZTELLTALE"), 20000), []byte("ZZTELLTALE"), ""))
	there := func() bool {
		must(t, s.Close())
		b, err := os.ReadFile(path)
		must(t, err)
		s, err = Open(ctx, Options{URL: path})
		must(t, err)
		return bytes.Contains(b, []byte("ZZTELLTALE"))
	}
	if !there() {
		t.Fatal("it was never in the file: the test sees nothing")
	}
	must(t, s.DeleteJob(ctx, n))
	if there() {
		t.Error("the file still has a deleted job")
	}
	must(t, s.Close())
}

// Values from memory: the regulation's example (49 CFR 565.15(c)), and seventeen ones,
// whose weights add up to 89 = 8 * 11 + 1.
func TestVINCheckDigit(t *testing.T) {
	for vin, want := range map[string]bool{ // each by itself
		"1G4AH59H45G118341": true, "11111111111111111": true, "1G4AH59H55G118341": false, "1G4AH59HX5G118341": false,
		"1G4AH59H45G11834": false, "1G4AH59H45G11834I": false, "": false, "ééééééééé": false,
	} {
		if got := VINCheckDigit(vin); got != want {
			t.Errorf("%s: %t", vin, got)
		}
	}
	for vin, ok := range map[string]bool{ // each by itself
		"1G4AH59H55G118341": true, "WKT11111111111111": true, "WKT1111111111111": false, "WKT111111111111111": false, "WKTO1111111111111": false,
		"WKTI1111111111111": false, "WKTQ1111111111111": false, "wkt11111111111111": false, "WKT1111111111111é": false, "WKT11111111 11111": false,
	} {
		j := Job{Kind: VehicleJob, VIN: vin}
		if err := j.Check(); (err == nil) != ok {
			t.Errorf("%q: %v", vin, err)
		}
	}
}

func TestFaultCodeForms(t *testing.T) {
	for word, want := range map[string]string{ // each by itself
		"P0420": "P0420", "p0420 catalyst": "P0420", "U1A2B-1C x": "U1A2B-1C", "P042": "", "P04200": "", "P0420-": "", "P042G": "", "none": "", "10420": "", "é0420": "", "P0420:": "",
	} {
		if got := ReadCodes(Before, word); len(got) != 1 || got[0].Code != want || want == "" && got[0].Text != word {
			t.Errorf("%q: %+v", word, got)
		}
	}
}

// Records from before there were jobs are brought up to date with what is in them.
func TestJobsComeToOldRecords(t *testing.T) {
	for driver, url := range map[string]string{"sqlite": filepath.Join(t.TempDir(), "old.db"), "pgx": recordstest.Postgres(t)} { // each by itself
		ctx := context.Background()
		db, err := sql.Open(driver, url)
		must(t, err)
		_, err = db.ExecContext(ctx, "CREATE TABLE schema_version (version BIGINT NOT NULL)")
		must(t, err)
		must(t, step(ctx, db, steps()[0], 1))
		c := cycle(1, "1", 1, true, protocol.Permanent)
		_, err = db.ExecContext(ctx, "INSERT INTO result (stream, seq, bench, name, boot, mono_ns, arrived, payload) VALUES ($1,$2,$3,'result/cycle',$4,0,'2026-01-02T03:04:05.6Z',$5)",
			c.Stream, c.Seq, c.Bench, c.Boot, string(encode(t, c)))
		must(t, err)
		_, err = db.ExecContext(ctx, "INSERT INTO cycle (bench, id, revision, final, stream, seq, arrived) VALUES ($1,$2,$3,$4,$5,$6,'2026-01-02T03:04:05.6Z')", c.Bench, c.ID, c.Revision, c.Final, c.Stream, c.Seq)
		must(t, err)
		must(t, db.Close())
		s, err := Open(ctx, Options{URL: url})
		must(t, err)
		n := openJob(t, s, van())
		must(t, s.PutCycle(ctx, JobCycle{CycleRef: CycleRef{"bench-1", "0123abcd-1"}, Job: n, Phase: Before}, ""))
		must(t, s.Close())
	}
}
