package dashboard

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

// storedCycle is a key cycle of the simulated vehicle, as a bench published it.
func storedCycle(t *testing.T, name string) *protocol.Cycle {
	t.Helper()
	return protocoltest.Cycle(t, filepath.Join("picture", "testdata", name+".json"))
}

// One change at a time is found, named and told; nothing else is.
func TestCompareTellsWhatChanged(t *testing.T) {
	same := compareCycles(storedCycle(t, "double-start"), storedCycle(t, "double-start"))
	if !same.AsBefore || !strings.HasPrefix(same.Sentence, "As before: nothing differs") || slices.ContainsFunc(same.Rows, func(r compareRow) bool { return r.differs }) {
		t.Errorf("a key cycle and itself: %q, %+v", same.Sentence, same.Rows)
	}
	find := func(c *protocol.Cycle, f func(*protocol.CycleSlot) bool) *protocol.CycleSlot {
		for i := range c.Slots {
			if f(&c.Slots[i]) {
				return &c.Slots[i]
			}
		}
		t.Fatal("no such slot in the key cycle")
		return nil
	}
	ignition := func(s *protocol.CycleSlot) bool {
		return s.Behaviour == protocol.Ignition && s.StaysOnS != nil && !s.StaysOnOpen
	}
	measured := func(s *protocol.CycleSlot) bool {
		return len(s.Leads) > 0 && len(s.Leads[0].Crank) > 0 && s.Leads[0].Crank[0].Sag != nil
	}
	for _, x := range []struct {
		name   string
		change func(c *protocol.Cycle) (slot string)
		row    compareRow // of what is to be looked at
		say    string
	}{
		{"behaviour", func(c *protocol.Cycle) string {
			s := find(c, ignition)
			s.Behaviour = protocol.Accessory
			return s.Slot
		}, compareRow{Word: "differs", What: "what it is", Before: "live with the ignition on (15)", After: "live from accessory on (75)"}, "Not as before: 1 slot differs ("},
		{"stays on", func(c *protocol.Cycle) string {
			s := find(c, ignition)
			*s.StaysOnS += 5
			return s.Slot
		}, compareRow{Word: "differs", What: "off after key-off", Before: "at once", After: "5.0 s"}, "Not as before: 1 slot differs ("},
		{"not proven", func(c *protocol.Cycle) string {
			s := find(c, ignition)
			s.Behaviour, s.Possible = protocol.NotProven, protocol.List[protocol.Behaviour]{protocol.Ignition, protocol.Accessory}
			return s.Slot
		}, compareRow{Word: "not compared", What: "what it is", Before: "live with the ignition on (15)", After: "not proven: ignition or accessory", Why: "not proven; what is possible leaves it open"},
			"Not or only partly compared: "},
		{"fall", func(c *protocol.Cycle) string {
			s := find(c, measured)
			for i := range s.Leads[0].Crank {
				if k := s.Leads[0].Crank[i].Sag; k != nil {
					k.MinV -= 3
				}
			}
			return s.Slot
		}, compareRow{Word: "differs", What: "lowest while cranking"}, "Not as before: 1 slot differs ("},
		{"gone", func(c *protocol.Cycle) string {
			name := c.Slots[0].Slot
			c.Slots = c.Slots[1:]
			return name
		}, compareRow{Word: "not compared", What: "what it is", After: "not under test", Why: "not under test after"}, "Not or only partly compared: "},
	} {
		after := storedCycle(t, "double-start")
		slot := x.change(after)
		got := compareCycles(storedCycle(t, "double-start"), after)
		rows := slices.DeleteFunc(slices.Clone(got.Rows), func(r compareRow) bool { return r.Slot != slot })
		if len(rows) != 1 || !strings.Contains(got.Sentence, x.say) || !strings.Contains(got.Sentence, slot) {
			t.Fatalf("%s: %q, %+v", x.name, got.Sentence, rows)
		}
		r := rows[0]
		if r.Word != x.row.Word || r.What != x.row.What || r.Why != x.row.Why || x.row.Before != "" && r.Before != x.row.Before || x.row.After != "" && r.After != x.row.After {
			t.Errorf("%s: %+v, want %+v", x.name, r, x.row)
		}
		if slices.Contains(got.Same, slot) || len(got.Same)+1 < len(same.Same) {
			t.Errorf("%s: the same are %v", x.name, got.Same)
		}
	}
}
