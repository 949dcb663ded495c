package records

import (
	"bytes"
	"context"
	"encoding/csv"
	"strings"
	"testing"
	"time"

	"keyturn/protocol"
)

// Both databases export the same bytes; a legend that is a formula is a text.
func TestExport(t *testing.T) {
	got := map[string][6]string{}
	for _, kind := range []string{"sqlite", "postgres"} {
		s := open(t, kind)
		c := cycle(1, "1", 1, true, protocol.Permanent)
		c.Slots[0].Legend = `=HYPERLINK("x","y, z")`
		off := true
		c.Slots[0].OffInStart = &off
		payload := encode(t, c)
		box := verdictOf(3, "t-1", 1, "cabin-8", protocol.OutcomePass)
		box.Slots = box.Slots[:1]
		add(t, s, payload, fault(t, "s", 2), encode(t, box))
		s.now = func() time.Time { return time.Unix(0, 0) }
		must(t, s.PutFitting(context.Background(), dashcam(openJob(t, s, van())), "bo"))
		marked(t, s, "bo")
		var out [6]string
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
		if out[5] = b.String(); out[5] != string(payload)+"\n"+string(fault(t, "s", 2))+"\n"+string(encode(t, box))+"\n" {
			t.Errorf("%s: the results are not as they came:\n%s", kind, out[5])
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
	want = "apprentice|exercise|title|attempt|handed_in|got|of_marks|not_marked|bench|cycle|comment\n" +
		"bo|by-key|What follows the key|1|1970-01-01T00:00:00Z|1.5|4|1|bench-1|0123abcd-1|"
	if got["sqlite"][3] != want {
		t.Errorf("marks are\n%s\nwant\n%s", got["sqlite"][3], want)
	}
	want = "bench|test|wall|final|box|slot|legend|outcome|reason\nbench-1|t-1||false|cabin-8|f01|Radio|pass|as-expected"
	if got["sqlite"][4] != want {
		t.Errorf("verdicts are\n%s\nwant\n%s", got["sqlite"][4], want)
	}
	want = "job|kind|opened|opened_by|closed|closed_by|registration|vin|mileage|mileage_unit|model|year|box_serial|box_part|" +
		"accessory|slot|feed_side|original_fuse_a|added_fuse_a|wire_mm2|earth_point|cable_route|fitted_by|fitted_on\n" +
		"1|vehicle|1970-01-01T00:00:00Z|ann|||KT 12-ABC||48210|km|Marlow Carrier 2|2019||FB-204|" +
		"Dash camera|f18|left|10|2|0.75|M6 stud behind the kick panel|up the left A pillar, behind the lining|R. Okafor|2026-03-04"
	if got["sqlite"][2] != want {
		t.Errorf("jobs are\n%s\nwant\n%s", got["sqlite"][2], want)
	}
}
