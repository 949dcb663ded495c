package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"keyturn/cmd/internal/parts"
	"keyturn/daemon/config"
	"keyturn/daemon/records"
	"keyturn/protocol"
)

// wholeCycle is a key cycle document with all that one can show.
const wholeCycle = "../../daemon/report/testdata/whole.json"

func draftOf(t *testing.T, c boxDraft) string {
	t.Helper()
	var out bytes.Buffer
	if err := c.write(t.Context(), &out); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func put(t *testing.T, name, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// A key cycle gives the same draft from a file and from the records, with every slot.
func TestDraftFromAFileAndFromTheRecords(t *testing.T) {
	f, err := os.Open(wholeCycle)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	y, err := readCycle(f)
	if err != nil {
		t.Fatal(err)
	}
	fromFile := draftOf(t, boxDraft{oneCycle: oneCycle{Document: wholeCycle}, ID: "cabin"})
	b, open, err := config.ParseBox([]byte(fromFile))
	if err != nil || len(b.Slots) != len(y.Slots) || len(open) == 0 || b.ID != "cabin" {
		t.Fatalf("%d of %d slots, %d open: %v", len(b.Slots), len(y.Slots), len(open), err)
	}

	kept := filepath.Join(t.TempDir(), "records.db")
	s, err := records.Open(t.Context(), records.Options{URL: kept})
	if err != nil {
		t.Fatal(err)
	}
	if err := keep(t.Context(), s, y); err != nil {
		t.Fatal(err)
	}
	if fromRecords := draftOf(t, boxDraft{oneCycle: oneCycle{Records: kept, Bench: y.Bench, Cycle: y.ID}, ID: "cabin"}); fromRecords != fromFile {
		t.Errorf("from the records it is\n%s\nfrom a file\n%s", fromRecords, fromFile)
	}
	for _, c := range []boxDraft{{}, {oneCycle{Document: wholeCycle, Records: kept}, ""}, {oneCycle{Document: "no-such-file"}, ""}, {oneCycle{Records: kept, Bench: y.Bench, Cycle: "none"}, "x"},
		{oneCycle{Document: put(t, "x.json", "{")}, "x"}, {oneCycle{Document: "../../protocol/testdata/golden/now.json"}, "x"}, {oneCycle{Document: wholeCycle}, "No id"}} {
		if err := c.write(t.Context(), &bytes.Buffer{}); err == nil {
			t.Errorf("%+v made a draft", c)
		}
	}
}

func keep(ctx context.Context, s *records.Store, y *protocol.Cycle) error {
	text, err := protocol.Encode(y)
	if err != nil {
		return err
	}
	_, err = s.Add(ctx, text)
	return errors.Join(err, s.Close())
}

func TestValidateTellsWhatIsRightWhatIsWrongAndWhatIsOpen(t *testing.T) {
	draft := put(t, "draft.toml", draftOf(t, boxDraft{oneCycle: oneCycle{Document: wholeCycle}, ID: "cabin"}))
	wrong := put(t, "wrong.toml", "id = \"B\"\ndraft = true\n")
	good := "../../testdata/boxes/trainer-8.toml"
	for _, c := range []struct {
		files []string
		want  []string
		fault bool
	}{
		{[]string{good}, []string{good + ": box trainer-8, 8 slots in 2 rows of 4, signed by Ada Fenn, Fenwick Bay Autoworks on 2026-10-14: all right\n"}, false},
		{[]string{draft}, []string{"a draft, which no bench takes yet; it lacks\n", "rating_a: missing; write what the lid says, in amperes\n", ", "}, false},
		{[]string{wrong, good}, []string{"wrong.toml:\n", "line 1: id: \"B\" is no id; use 1 to 32 of a-z, 0-9 and -\n", "all right"}, true},
	} {
		var out bytes.Buffer
		err := (&boxValidate{Files: c.files}).check(&out)
		if errors.Is(err, errFaulty) != c.fault || (err != nil) != c.fault {
			t.Errorf("%v: %v", c.files, err)
		}
		for _, want := range c.want {
			if !strings.Contains(out.String(), want) {
				t.Errorf("%v: no %q in\n%s", c.files, want, out.String())
			}
		}
		if n := strings.Count(out.String(), "rating_a: missing"); n > 1 {
			t.Errorf("%v: what every slot lacks is told %d times", c.files, n)
		}
	}
}

// Every command reads its bench file here, so that none gets at a slot that is avoided.
func TestBenchWithItsBox(t *testing.T) {
	const bench = "../../testdata/benches/salvage.toml"
	f, err := parts.Read(bench)
	if err != nil || f.Read.Box == nil || f.Read.Slots[2].Legend != "Airbag unit" {
		t.Fatalf("%+v: %v", f.Read, err)
	}
	text, err := os.ReadFile(bench)
	if err != nil {
		t.Fatal(err)
	}
	box, err := filepath.Abs("../../testdata/boxes/parcel-12.toml")
	if err != nil {
		t.Fatal(err)
	}
	at := strings.NewReplacer("../boxes/parcel-12.toml", box, "airbag_units_absent = true", "")
	refused := put(t, "bench.toml", at.Replace(string(text)))
	for name, run := range map[string]func() error{
		"leads": func() error { return (&leads{benchFlags: benchFlags{Config: refused}, Once: true}).Run(t.Context()) },
		"calibrate": func() error {
			return (&calibrate{benchFlags: benchFlags{Config: refused}, Digit: 0.01}).Run(t.Context())
		},
		"any other": func() error { _, err := parts.Read(refused); return err },
		"no box": func() error {
			_, err := parts.Read(put(t, "bench.toml", strings.Replace(string(text), "parcel-12", "no-such", 1)))
			return err
		},
	} {
		if err := run(); err == nil || name != "no box" && !strings.Contains(err.Error(), `slot: "f11" (Airbag unit) is avoided (airbag): tested only`) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
