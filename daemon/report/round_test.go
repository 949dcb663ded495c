package report

import (
	"strings"
	"testing"

	"keyturn/protocol"
)

// What is to be done before a round stands beside each slot, in the same words at every
// width, and nothing is wider than the terminal.
func TestRoundTable(t *testing.T) {
	r := &protocol.VerdictRound{Number: 2, Leads: protocol.List[protocol.VerdictLead]{
		{Lead: "lead-05", Slot: "c01", Side: "upper", Fuse: protocol.FuseIn}, {Lead: "lead-06", Slot: "c01", Side: "lower", Fuse: protocol.FuseIn},
		{Lead: "lead-07", Slot: "c02", Side: "upper", Fuse: protocol.FuseOut, Fitted: true}, {Lead: "lead-08", Slot: "c02", Side: "lower", Fuse: protocol.FuseOut, Fitted: true},
		{Lead: "lead-09", Slot: "c03", Fuse: protocol.FuseIn, Moved: true, Fitted: true},
		{Lead: "lead-10", Slot: "c04", Fuse: protocol.FuseIn, Fitted: true},
	}}
	legends := map[string]string{"c01": "Living area light", "c02": "Water pump"}
	want := [][]string{
		{"lead-05, lead-06", "c01 Living area light", "upper, lower", "in", "leave"}, {"lead-07, lead-08", "c02 Water pump", "upper, lower", "out", "take the fuse out"},
		{"lead-09", "c03", "", "in", "move the lead, fuse in"}, {"lead-10", "c04", "", "in", "put the fuse in"},
	}
	places := RoundPlaces(r, legends)
	if len(places) != len(want) {
		t.Fatalf("%+v", places)
	}
	for i, w := range want {
		if p := places[i]; p.Leads != w[0] || p.Slot != w[1] || p.Sides != w[2] || p.Fuse != w[3] || p.Do != w[4] || p.Changes != (w[4] != "leave") {
			t.Errorf("%+v, want %q", p, w)
		}
	}
	for _, width := range []int{40, 80, 100, 140} {
		text := RoundTable(r, legends, width)
		for _, w := range want {
			if flat := strings.Join(strings.Fields(text), " "); !strings.Contains(flat, w[4]) || !strings.Contains(flat, w[1]) {
				t.Errorf("%d columns: %q or %q is missing in\n%s", width, w[1], w[4], text)
			}
		}
		for l := range strings.Lines(text) {
			if len(strings.TrimRight(l, "\n")) > width {
				t.Errorf("wider than %d: %q", width, l)
			}
		}
	}
}
