package daemon

import (
	"os"
	"reflect"
	"testing"
	"time"

	"keyturn/daemon/config"
	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// A bench tells where its slots sit and how they are fitted, and a key cycle how they
// were; without a box it tells neither, so that its revision stays what it was.
func TestBoxAndFusesAreTold(t *testing.T) {
	read := func(name string) []byte {
		t.Helper()
		text, err := os.ReadFile("../testdata/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	text := read("benches/salvage.toml")
	families := []config.Family{{Name: "ads1115", Inputs: 4, Addresses: []int{0x48, 0x49}}}
	b, err := config.ParseBench(text, families)
	if err != nil {
		t.Fatal(err)
	}
	bound := func(string) time.Duration { return time.Millisecond }
	if d := Describe(b, "test 1", bound); d.Box != nil || d.Slots[0].Place != nil || d.Slots[0].Sides != nil || d.Slots[0].Fuse != protocol.FuseOut {
		t.Errorf("without a box: %+v, %+v", d.Box, d.Slots)
	}
	box, _, err := config.ParseBox(read("boxes/parcel-12.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Fit(text, &box); err != nil {
		t.Fatal(err)
	}
	d := Describe(b, "test 1", bound)
	want := &protocol.BenchBox{Box: "parcel-12", Datum: "label upright, hinge at top", Zone: "cabin", Rows: 2, Columns: 6}
	slot := protocol.BenchSlot{Slot: "f10", Legend: "Mirrors", Leads: protocol.List[string]{"lead-04"}, Fuse: protocol.FuseIn,
		Place: &protocol.Place{Row: 2, Column: 4}, Sides: []string{"upper", "lower"}}
	if !reflect.DeepEqual(d.Box, want) || !reflect.DeepEqual(d.Slots[1], slot) {
		t.Errorf("box %+v\nslot %+v", d.Box, d.Slots[1])
	}

	tr := newTranslator(&Options{Bench: "b", Boot: "0123abcd", Params: b.Params(), Description: d})
	y := tr.cycle(1, &measure.Cycle{Revision: 1, Slots: []measure.SlotResult{{Slot: 0}, {Slot: 1}}})
	if y.Slots[0].Fuse != protocol.FuseOut || y.Slots[1].Fuse != protocol.FuseIn {
		t.Errorf("fuses in the cycle: %+v", y.Slots)
	}
}
