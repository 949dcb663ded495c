package records

import (
	"bytes"
	"context"
	"encoding/csv"
	"strings"
	"testing"

	"keyturn/protocol"
)

// Both databases export the same bytes; a legend that is a formula is a text.
func TestExport(t *testing.T) {
	got := map[string][3]string{}
	for _, kind := range []string{"sqlite", "postgres"} {
		s := open(t, kind)
		c := cycle(1, "1", 1, true, protocol.Permanent)
		c.Slots[0].Legend = `=HYPERLINK("x","y, z")`
		off := true
		c.Slots[0].OffInStart = &off
		payload := encode(t, c)
		add(t, s, payload, fault(t, "s", 2))
		var out [3]string
		for i, view := range Views() {
			var b bytes.Buffer
			if err := s.ExportCSV(context.Background(), &b, view); err != nil {
				t.Fatal(err)
			}
			if rows, err := csv.NewReader(&b).ReadAll(); err != nil || len(rows) != 2 {
				t.Errorf("%s, %s: %v, %q", kind, view, err, rows)
			} else {
				out[i] = strings.Join(rows[0], "|") + "\n" + strings.Join(rows[1], "|")
			}
		}
		var b bytes.Buffer
		if err := s.ExportJSON(context.Background(), &b); err != nil {
			t.Fatal(err)
		}
		if out[2] = b.String(); out[2] != string(payload)+"\n"+string(fault(t, "s", 2))+"\n" {
			t.Errorf("%s: the results are not as they came:\n%s", kind, out[2])
		}
		if err := s.ExportCSV(context.Background(), &b, "result; DROP TABLE result"); err == nil {
			t.Error("a view that is none was exported")
		}
		got[kind] = out
	}
	if got["sqlite"] != got["postgres"] {
		t.Errorf("sqlite\n%v\npostgres\n%v", got["sqlite"], got["postgres"])
	}
	want := "bench|cycle|wall|final|slot|legend|behaviour|stays_on_s|off_in_start|watched_s|lowest_v\n" +
		`bench-1|0123abcd-1||true|f18|'=HYPERLINK("x","y, z")|permanent|240|true|0|8.25`
	if got["sqlite"][0] != want {
		t.Errorf("slots are\n%s\nwant\n%s", got["sqlite"][0], want)
	}
}
