package picture

import (
	"strings"
	"testing"

	"keyturn/protocol"
)

// A lane that was added to what was measured is drawn, and the words do not count it.
func TestWordsAreOfWhatWasMeasured(t *testing.T) {
	slot := protocol.CycleSlot{Slot: "t1", Behaviour: protocol.Permanent, Leads: protocol.List[protocol.CycleLead]{{Lead: "l-1", StateBefore: protocol.Live}}}
	measured := &protocol.Cycle{ID: "c-1", Final: true, Slots: protocol.List[protocol.CycleSlot]{slot}}
	with := *measured
	with.Slots = append(protocol.List[protocol.CycleSlot]{slot}, slot)
	for _, c := range []struct {
		o    Options
		want string
	}{{Options{Told: measured}, "Of 1 slot:"}, {Options{}, "Of 2 slots:"}} {
		if got := string(Cycle(&with, c.o)); !strings.Contains(got, c.want) {
			t.Errorf("lacks %q", c.want)
		}
	}
}
