package records

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"keyturn/protocol"
)

// outside is what a reader that is none of ours and knows nothing of the writer makes of
// a file: hyparquet 1.31.5, of the npm registry.
type outside struct {
	Groups []int64
	Types  []string
	Rows   []map[string]any
}

const outsideReader = `
const { asyncBufferFromFile, parquetMetadataAsync, parquetReadObjects } = await import(process.argv[2]);
const file = await asyncBufferFromFile(process.argv[3]);
const m = await parquetMetadataAsync(file);
const plain = (k, v) => typeof v === 'bigint' ? Number(v) : v;
console.log(JSON.stringify({
  Groups: m.row_groups.map((g) => g.num_rows),
  Types: m.schema.slice(1).map((s) => [s.name, s.type, s.logical_type?.type ?? '', s.repetition_type].join(' ')),
  Rows: await parquetReadObjects({ file }),
}, plain));
`

// readerSum is the SHA-256 of the npm package hyparquet 1.31.5 as it was published (MIT).
const readerSum = "5fb6b118fcbc4575771204acd0aa5cab532f40be92339094b7cc756d79830ab5"

// unpackReader puts the outside reader into a folder, and returns its entrance.
func unpackReader(t *testing.T, dir string) string {
	t.Helper()
	packed, err := os.ReadFile("../../testdata/hyparquet/hyparquet-1.31.5.tgz")
	if err != nil {
		t.Fatal(err)
	}
	if sum := sha256.Sum256(packed); hex.EncodeToString(sum[:]) != readerSum {
		t.Fatalf("the outside reader is not the one that was published: %x", sum)
	}
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		t.Fatal(err)
	}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if err == io.EOF {
			return filepath.Join(dir, "package", "src", "node.js")
		}
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		name := filepath.Join(dir, filepath.FromSlash(h.Name))
		if err = errors.Join(err, os.MkdirAll(filepath.Dir(name), 0o700), os.WriteFile(name, text, 0o600)); err != nil {
			t.Fatal(err)
		}
	}
}

func readOutside(t *testing.T, text []byte) (x outside) {
	t.Helper()
	if _, err := exec.LookPath("node"); err != nil {
		t.Fatal("there is no node to run the outside reader: install the Debian package nodejs")
	}
	dir := t.TempDir()
	reader := unpackReader(t, dir)
	script, file := filepath.Join(dir, "read.mjs"), filepath.Join(dir, "x.parquet")
	for name, b := range map[string][]byte{script: []byte(outsideReader), file: text} { // each by itself
		if err := os.WriteFile(name, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	c := exec.Command("node", script, "file://"+reader, file)
	var errs bytes.Buffer
	c.Stderr = &errs
	out, err := c.Output()
	if err == nil {
		err = json.Unmarshal(out, &x)
	}
	if err != nil {
		t.Fatalf("%v: %s", err, errs.Bytes())
	}
	return x
}

// An outside reader finds in the Parquet file what stands in the CSV, with its types,
// whichever database it came from.
func TestParquetByAnOutsideReader(t *testing.T) {
	onBoth(t, func(t *testing.T, s *Store) {
		full := cycle(1, "1", 1, true, protocol.Permanent)
		off := true
		full.Slots[0].OffInStart, full.Slots[0].Legend = &off, `=HYPERLINK("x") Größe`
		full.SetWall(time.Date(2026, 3, 2, 9, 0, 26, 172e6, time.UTC), time.Millisecond)
		bare := cycle(2, "2", 1, false, protocol.NotProven)
		bare.Slots[0].StaysOnS, bare.Slots[0].Leads[0].Crank, bare.Slots[0].Legend = nil, nil, ""
		add(t, s, encode(t, full), encode(t, bare), encode(t, verdictOf(3, "t-1", 1, "cabin-8", protocol.OutcomeFail)))
		for view, types := range map[string]string{ // each by itself
			"slots": "bench BYTE_ARRAY STRING REQUIRED, cycle BYTE_ARRAY STRING REQUIRED, wall INT64 TIMESTAMP OPTIONAL, final BOOLEAN  REQUIRED, slot BYTE_ARRAY STRING REQUIRED, " +
				"legend BYTE_ARRAY STRING OPTIONAL, behaviour BYTE_ARRAY STRING REQUIRED, stays_on_s DOUBLE  OPTIONAL, off_in_start BOOLEAN  OPTIONAL, watched_s DOUBLE  REQUIRED, lowest_v DOUBLE  OPTIONAL",
			"transitions": "bench BYTE_ARRAY STRING REQUIRED, cycle BYTE_ARRAY STRING REQUIRED, wall INT64 TIMESTAMP OPTIONAL, slot BYTE_ARRAY STRING REQUIRED, lead BYTE_ARRAY STRING REQUIRED, " +
				"state BYTE_ARRAY STRING REQUIRED, after_key_on_s DOUBLE  OPTIONAL, u_us DOUBLE  REQUIRED",
			"verdicts": "bench BYTE_ARRAY STRING REQUIRED, test BYTE_ARRAY STRING REQUIRED, wall INT64 TIMESTAMP OPTIONAL, final BOOLEAN  REQUIRED, box BYTE_ARRAY STRING REQUIRED, " +
				"slot BYTE_ARRAY STRING REQUIRED, legend BYTE_ARRAY STRING OPTIONAL, outcome BYTE_ARRAY STRING REQUIRED, reason BYTE_ARRAY STRING REQUIRED",
		} {
			var table, file bytes.Buffer
			if err := s.ExportCSV(context.Background(), &table, view); err != nil {
				t.Fatal(err)
			}
			if err := s.ExportParquet(context.Background(), &file, view); err != nil {
				t.Fatal(err)
			}
			x := readOutside(t, file.Bytes())
			if got := strings.Join(x.Types, ", "); got != types {
				t.Errorf("%s: the columns are\n%s\nwant\n%s", view, got, types)
			}
			lines, err := csv.NewReader(&table).ReadAll()
			if err != nil || len(x.Rows) != 2 || len(lines) != 3 {
				t.Fatalf("%s: %v: %d rows, %d lines of CSV", view, err, len(x.Rows), len(lines))
			}
			for i, row := range x.Rows {
				for k, name := range lines[0] {
					got := ""
					if v, ok := row[name]; !ok {
						t.Errorf("%s: no column %s", view, name)
					} else if v != nil {
						got = fmt.Sprint(v)
					}
					want := strings.TrimPrefix(lines[i+1][k], "'") // CSV only
					if got != want {
						t.Errorf("%s, row %d: %s is %q, in CSV %q", view, i, name, got, want)
					}
				}
			}
		}
		if err := s.ExportParquet(context.Background(), &bytes.Buffer{}, "jobs"); err == nil || !strings.Contains(err.Error(), "CSV") {
			t.Errorf("jobs as Parquet: %v", err)
		}
		if err := s.ExportParquet(context.Background(), &bytes.Buffer{}, "result; DROP TABLE result"); err == nil {
			t.Error("a view that is none was exported")
		}
	})
}

// A large export is written group by group, and the file is framed as the format says:
// PAR1, groups, footer, its length in four bytes, PAR1 (Apache Parquet format, "File
// format").
func TestParquetIsWrittenInGroups(t *testing.T) {
	s := open(t, "sqlite")
	const lines = 2*rowGroupMost + 7
	rows, err := s.db.Query(`WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i+1 FROM n WHERE i < $1)
		SELECT 'b', 'c'||(i/100), NULL, 'f'||(i%60), 'l', 'live', i/8.0, i FROM n`, lines)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var file bytes.Buffer
	if err := writeParquet(&file, rows, func(l *transitionLine, wall *sql.NullString) []any {
		return []any{&l.Bench, &l.Cycle, wall, &l.Slot, &l.Lead, &l.State, &l.AfterKeyOnS, &l.UUS}
	}, func(l *transitionLine, wall *time.Time) { l.Wall = wall }); err != nil {
		t.Fatal(err)
	}
	b := file.Bytes()
	n := int(binary.LittleEndian.Uint32(b[len(b)-8:]))
	if string(b[:4]) != "PAR1" || string(b[len(b)-4:]) != "PAR1" || n <= 0 || n > len(b)-12 {
		t.Errorf("%d bytes with a footer of %d are not framed", len(b), n)
	}
	x := readOutside(t, b)
	if !slices.Equal(x.Groups, []int64{rowGroupMost, rowGroupMost, 7}) {
		t.Errorf("groups of %v lines", x.Groups)
	}
	for i, row := range x.Rows {
		if row["u_us"] != float64(i+1) || row["after_key_on_s"] != float64(i+1)/8 || row["slot"] != fmt.Sprintf("f%d", (i+1)%60) {
			t.Fatalf("row %d is %v", i, row)
		}
	}
	if len(x.Rows) != lines {
		t.Errorf("%d rows of %d", len(x.Rows), lines)
	}
}
