package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

// runImport runs keyturn import.
func runImport(t *testing.T, program, db string, files ...string) (out, errs string, err error) {
	t.Helper()
	var o, e bytes.Buffer
	c := exec.Command(program, append([]string{"import", "--records", db}, files...)...)
	c.Stdout, c.Stderr = &o, &e
	err = c.Run()
	return o.String(), e.String(), err
}

// stored are the key cycles of records, the latest first.
func stored(t *testing.T, db string) (s *records.Store, all []*protocol.Cycle) {
	t.Helper()
	s, err := records.Open(t.Context(), records.Options{URL: db, MustExist: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	all, err = s.Cycles(context.Background(), records.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	return s, all
}

// What a capture shows is what the bench published: key, slots and battery are the same
// to the nanosecond, and a sheet finds the bench. A second import adds nothing.
func TestImportIsWhatTheBenchPublished(t *testing.T) {
	program, dir := keyturn(t), t.TempDir()
	file, db := filepath.Join(dir, "capture.csv"), filepath.Join(dir, "records.db")
	text, err := exec.Command(program, "demo", "--once", "--fast", "--json", "--seed", "3", "--record", file).Output()
	if err != nil {
		t.Fatal(err)
	}
	var live protocol.Cycle
	if err := json.Unmarshal(text, &live); err != nil {
		t.Fatal(err)
	}
	out, errs, err := runImport(t, program, db, file)
	if err != nil || !strings.Contains(out, "key cycles of bench demo: ") {
		t.Fatalf("%v: %s%s", err, out, errs)
	}
	s, all := stored(t, db)
	var got *protocol.Cycle
	for _, c := range all {
		if c.Key[0].AtNS == live.Key[0].AtNS {
			got = c
		}
		if !c.Final || c.Wall != "" || !protocol.IsImport(c.Stream) || !strings.HasPrefix(c.ID, c.Boot[:8]) || !strings.HasSuffix(c.Boot, "-0000-0000-0000-000000000000") {
			t.Errorf("final %t, wall %q, stream %s, boot %s, id %s", c.Final, c.Wall, c.Stream, c.Boot, c.ID)
		}
	}
	if got == nil {
		t.Fatal("the key cycle is not in the records")
	}
	for name, pair := range map[string][2]any{"key": {got.Key, live.Key}, "slots": {got.Slots, live.Slots}, "battery": {got.Battery, live.Battery}, "ended": {got.Ended, live.Ended}} { // each by itself
		a, _ := json.Marshal(pair[0])
		b, _ := json.Marshal(pair[1])
		if !bytes.Equal(a, b) {
			t.Errorf("%s: imported\n%s\npublished\n%s", name, a, b)
		}
	}
	origin, err := s.Origin(t.Context(), got.Bench, got.ID)
	if err != nil || origin.Bench == nil || len(origin.Bench.Leads) != 16 || origin.Bench.Leads[0].IntervalMeanUS == nil || !strings.HasPrefix(origin.Bench.Software, "keyturn import") {
		t.Fatalf("%v: the bench is %+v", err, origin)
	}
	// The simulated bench samples about every 6.3 ms (the demo's plan).
	if ms := float64(*origin.Bench.Leads[0].IntervalMeanUS) * 1e-3; ms < 5.5 || ms > 7 {
		t.Errorf("sampled every %.2f ms", ms)
	}
	streams, err := s.Streams(t.Context(), "demo")
	if err != nil || len(streams) != 1 || streams[0].UpToSeq != streams[0].Last {
		t.Errorf("%v: the numbering has holes: %+v", err, streams)
	}
	if out, errs, err := runImport(t, program, db, file, file); err != nil || strings.Count(out, "imported before, nothing is new") != 2 {
		t.Errorf("again: %v: %s%s", err, out, errs)
	}
	if _, again := stored(t, db); len(again) != len(all) {
		t.Errorf("%d key cycles after the second import, %d before", len(again), len(all))
	}
}

// Of a bad capture nothing is kept, and the good one beside it is.
func TestImportKeepsNothingOfABadCapture(t *testing.T) {
	program, dir := keyturn(t), t.TempDir()
	file, db := filepath.Join(dir, "good.csv"), filepath.Join(dir, "records.db")
	if text, err := exec.Command(program, "demo", "--once", "--fast", "--record", file).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	header := good[:bytes.Index(good, []byte("\nkind,"))+1]
	columns := good[len(header) : len(header)+bytes.IndexByte(good[len(header):], '\n')+1]
	write := func(name string, text []byte) string {
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, text, 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	lines := bytes.Count(good, []byte("\n"))
	begin := bytes.LastIndexByte(good[:len(good)*9/10], '\n') + 1 // of the line that is cut
	for _, x := range []struct{ name, file, want string }{
		{"cut in a line", write("cut.csv", good[:begin+3]), "line "},
		{"a word that is none", write("word.csv", bytes.Replace(good, []byte("\nsample,"), []byte("\nsimple,"), 1)), `column kind: "simple"`},
		{"a bench file that is none", write("bench.csv", bytes.Replace(good, []byte("#| "), []byte("#| ]"), 1)), "the bench file in its header"},
		{"no inputs", write("empty.csv", append(bytes.Clone(header), columns...)), "no inputs after the header"},
		{"no capture", write("text.csv", []byte("time,volts\n0,12\n")), "is this a capture?"},
		{"nothing", write("nothing.csv", nil), "is this a capture?"},
	} {
		_, errs, err := runImport(t, program, db, x.file)
		if err == nil || !strings.Contains(errs, x.want) || !strings.Contains(errs, x.file) || !strings.Contains(errs, "nothing of it is kept") {
			t.Errorf("%s: %v: %s", x.name, err, errs)
		}
		if s, _ := stored(t, db); s != nil {
			if streams, err := s.Streams(t.Context(), ""); err != nil || len(streams) != 0 {
				t.Errorf("%s: %v: %+v is kept", x.name, err, streams)
			}
		}
	}
	if out, errs, err := runImport(t, program, db, filepath.Join(dir, "cut.csv"), file); err == nil || !strings.Contains(out, "good.csv: key cycles of bench demo") || strings.Count(errs, "nothing of it is kept") != 1 {
		t.Errorf("a bad one and a good one of %d lines: %v: %s%s", lines, err, out, errs)
	}
}
