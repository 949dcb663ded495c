package config

import (
	"os"
	"strings"
	"testing"
)

func salvage(t testing.TB) string {
	t.Helper()
	text, err := os.ReadFile("../../testdata/benches/salvage.toml")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// fitted is what a bench file says of its box.
func fitted(t *testing.T, text string, box Box) (Bench, error) {
	t.Helper()
	b, err := ParseBench([]byte(text), families())
	if err != nil {
		t.Fatal(err)
	}
	return b, b.Fit([]byte(text), &box)
}

func TestSlotsTakeTheirLegendsFromTheBox(t *testing.T) {
	b, err := fitted(t, salvage(t), boxOf(t, boxes(t)["parcel-12"]))
	if err != nil {
		t.Fatal(err)
	}
	if b.Slots[0].Legend != "Cigar socket" || b.Slots[0].Fuse != "out" || b.Box.Slot("f03").Row != 1 || b.Params().Slots[2].Legend != "Airbag unit" {
		t.Errorf("slots %+v", b.Slots)
	}
}

func TestLeadsAreRefusedInSlotsThatAreAvoided(t *testing.T) {
	const avoided = "airbag_units_absent = true\n"
	vehicle := strings.NewReplacer("off-vehicle", "vehicle", avoided, "\n")
	for _, c := range []struct{ name, text, want string }{
		{"on a vehicle", vehicle.Replace(salvage(t)),
			`line 83: slot: "f11" (Airbag unit) is avoided (airbag): no lead, no load and no pulled fuse on a vehicle; leave it alone and remove the lead`},
		{"on a bench, not ticked", strings.Replace(salvage(t), avoided, "\n", 1),
			`line 83: slot: "f11" (Airbag unit) is avoided (airbag): tested only with the airbag units absent; look that none is connected and write airbag_units_absent = true, or remove the lead`},
		{"no such slot", strings.ReplaceAll(salvage(t), `"f10"`, `"f13"`), `line 34: name: "f13" is not a slot of box parcel-12; did you mean "f03"?`},
		{"another legend", strings.Replace(salvage(t), `fuse = "in"`, `legend = "Radio"`, 1), `line 35: legend: "Radio", but the box file says "Mirrors"; remove it here, or correct it there`},
		{"sides", strings.NewReplacer(`"upper"`, `"left"`, `"lower"`, `"right"`).Replace(salvage(t)),
			"line 55: side: \"left\" is not a side of contacts that lie upper-lower; write one of upper, lower\n" +
				"line 65: side: \"right\" is not a side of contacts that lie upper-lower; write one of upper, lower"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, err := fitted(t, c.text, boxOf(t, boxes(t)["parcel-12"]))
			if err == nil || err.Error() != c.want || b.Box != nil {
				t.Errorf("\n%v\nwant\n%s", err, c.want)
			}
		})
	}
}

// Every slot that is avoided, of every example: nothing on a vehicle, whatever is
// ticked, and out of it only with the tick.
func TestAvoidedSlotsAreRefusedEverywhere(t *testing.T) {
	avoided := 0
	for _, text := range boxes(t) { // each by itself
		b := boxOf(t, text)
		for _, s := range b.Slots {
			free := s.Avoid == AvoidNo
			if !free {
				avoided++
			}
			for _, c := range []struct {
				subject string
				absent  bool
				may     bool
			}{{"vehicle", false, free}, {"vehicle", true, free}, {"", true, free}, {"off-vehicle", false, free}, {"off-vehicle", true, true}} {
				if why := b.Refuses(s.ID, c.subject, c.absent); (why == "") != c.may {
					t.Errorf("%s of %s, avoid %q, on %q with the units absent %t: %q", s.ID, b.ID, s.Avoid, c.subject, c.absent, why)
				}
			}
		}
		if b.Refuses("no-such-slot", "off-vehicle", true) == "" {
			t.Errorf("%s lets a slot be touched that it does not know", b.ID)
		}
		b.Draft = true
		if b.Refuses(b.Slots[0].ID, "off-vehicle", true) == "" {
			t.Errorf("%s is a draft and lets a slot be touched", b.ID)
		}
	}
	if avoided < 10 {
		t.Errorf("the examples have %d slots that are avoided", avoided)
	}
}

func TestBenchFileSaysHowItsBoxIsUsed(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"ticked on a vehicle", `subject = "off-vehicle"`, `subject = "vehicle"`, `line 8: airbag_units_absent: on a vehicle no slot that is avoided is touched, with airbag units or without; remove it`},
		{"fuse", `fuse = "in"`, `fuse = "inn"`, `line 35: fuse: "inn" is not how a slot is fitted; did you mean "in"?`},
	} {
		_, err := ParseBench([]byte(strings.Replace(salvage(t), c.old, c.new, 1)), families())
		if err == nil || err.Error() != c.want {
			t.Errorf("%s:\n%v\nwant\n%s", c.name, err, c.want)
		}
	}
}

// A vehicle's bench without a box file runs, and is told what nobody looks after.
func TestVehicleWithoutABoxIsNoted(t *testing.T) {
	b, err := ParseBench(example(t), families())
	if err != nil {
		t.Fatal(err)
	}
	if notes := strings.Join(b.Notes(), "\n"); !strings.Contains(notes, "no box file") {
		t.Errorf("notes:\n%s", notes)
	}
	b.Subject = offVehicle
	if notes := strings.Join(b.Notes(), "\n"); strings.Contains(notes, "no box file") {
		t.Errorf("off the vehicle:\n%s", notes)
	}
}
