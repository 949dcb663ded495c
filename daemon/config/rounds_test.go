package config

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"keyturn/daemon/drive"
)

func testBench(t *testing.T) Bench {
	t.Helper()
	text, err := os.ReadFile("../../testdata/benches/box-test.toml")
	if err != nil {
		t.Fatal(err)
	}
	b, err := ParseBench(text, families())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func testBox(t *testing.T, name string) *Box {
	t.Helper()
	b := boxOf(t, boxes(t)[name])
	return &b
}

// Forty-eight slots on six places: every slot that may be tested is measured with its fuse
// in and with it out, no other gets a lead, and the first place joins the rounds.
func TestRoundsOfABoxLargerThanTheBench(t *testing.T) {
	b, box := testBench(t), testBox(t, "camper-48")
	rounds, err := b.Rounds(box, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]map[string]bool{}
	for n, r := range rounds {
		if r.Number != n+1 || len(r.Places) < 2 || len(r.Places) > 6 {
			t.Fatalf("round %d: %+v", n+1, r)
		}
		if r.Places[0].Slot != rounds[0].Places[0].Slot {
			t.Errorf("round %d: the first place is in %s", n+1, r.Places[0].Slot)
		}
		for i, p := range r.Places {
			if why := b.cannotTest(box, p.Slot); why != "" {
				t.Errorf("round %d: a lead in %s: %s", n+1, p.Slot, why)
			}
			if slices.ContainsFunc(r.Places[:i], func(x Placed) bool { return x.Slot == p.Slot || x.Place == p.Place }) {
				t.Errorf("round %d: %+v twice", n+1, p)
			}
			if seen[p.Slot] == nil {
				seen[p.Slot] = map[string]bool{}
			}
			seen[p.Slot][p.Fuse] = true
			if n > 0 && i < len(rounds[n-1].Places) && p.Moved != (rounds[n-1].Places[i].Slot != p.Slot) {
				t.Errorf("round %d: %+v moved", n+1, p)
			}
		}
	}
	for _, s := range box.Slots {
		if may := b.cannotTest(box, s.ID) == ""; may != seen[s.ID]["in"] || may != seen[s.ID]["out"] {
			t.Errorf("%s may be tested: %t; measured %v", s.ID, may, seen[s.ID])
		}
	}
	if len(seen) != 44 || len(rounds) != 19 {
		t.Errorf("%d slots in %d rounds", len(seen), len(rounds))
	}
	for lead := range rounds[0].Places {
		// Prove, test, prove: each place is seen with a fuse in before the first with one out,
		// and what is out is seen in afterwards with the leads where they are.
		for n, r := range rounds {
			if lead >= len(r.Places) || r.Places[lead].Fuse != "out" {
				continue
			}
			if n == 0 || n+1 == len(rounds) || rounds[n+1].Places[lead].Fuse != "in" || rounds[n+1].Places[lead].Moved {
				t.Errorf("place %d is not seen live after round %d", lead+1, r.Number)
			}
		}
		if does := box.Slot(rounds[0].Places[lead].Slot).Expected; does != "permanent" && does != "ignition" && does != "accessory" {
			t.Errorf("place %d begins with a slot that is %s", lead+1, does)
		}
	}
}

// With the units absent the avoided slots are tested too, and none of them bears a load.
func TestRoundsWithAirbagUnitsAbsent(t *testing.T) {
	b, box := testBench(t), testBox(t, "camper-48")
	b.AirbagUnitsAbsent = true
	rounds, err := b.Rounds(box, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	avoided := 0
	for _, r := range rounds {
		in := b.InRound(box, r)
		s := in.RoundScript(box, r, drive.SupplyDip)
		for _, p := range r.Places {
			if box.Slot(p.Slot).Avoid == AvoidNo {
				continue
			}
			avoided++
			for _, x := range s.Steps {
				if slices.Contains(x.Loads, p.Slot) || slices.Contains(x.Bleeds, p.Slot) {
					t.Errorf("round %d: a resistor in %s, which is avoided", r.Number, p.Slot)
				}
			}
		}
	}
	if avoided == 0 {
		t.Error("no avoided slot was placed")
	}
}

// Each round is a bench that a bench file could say, and its script one that the machine
// takes; a load is only where the fuse bears it, the key stays off for what stays on.
func TestEveryRoundCanBeDriven(t *testing.T) {
	b := testBench(t)
	loads := map[string]bool{}
	for name := range boxes(t) {
		box := testBox(t, name)
		rounds, err := b.Rounds(box, nil, nil)
		if box.HighestV > supplyMax12V {
			if err == nil || !strings.Contains(err.Error(), "is of 24 V") {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, r := range rounds {
			in := b.InRound(box, r)
			in.Lines = slices.DeleteFunc(in.Lines, func(l Line) bool { return strings.HasPrefix(l.Slot, "p") }) // of what hangs free: stays low
			text, err := in.TOML()
			if err != nil {
				t.Fatal(err)
			}
			back, err := ParseBench(text, families())
			if err != nil {
				t.Fatalf("%s, round %d: %v", name, r.Number, err)
			}
			if err := back.Fit(text, box); err != nil {
				t.Fatalf("%s, round %d: %v", name, r.Number, err)
			}
			s := back.RoundScript(box, r, drive.ContactOnly)
			machine := back.Driven()
			if faults := s.Check(&machine); len(faults) > 0 {
				t.Errorf("%s, round %d: %+v", name, r.Number, faults)
			}
			off := s.Steps[len(s.Steps)-1]
			if watch := back.Params().WithDefaults().WatchFor; watch < off.For {
				t.Errorf("%s, round %d: watched for %v, off for %v", name, r.Number, watch, off.For)
			}
			for _, p := range r.Places {
				x := box.Slot(p.Slot)
				if p.Fuse == "in" && x.StaysOnMaxS != nil && off.For < duration(*x.StaysOnMaxS, time.Second) {
					t.Errorf("%s, round %d: off for %v, %s may stay on for %g s", name, r.Number, off.For, p.Slot, *x.StaysOnMaxS)
				}
			}
			for _, step := range s.Steps {
				for _, slot := range step.Loads {
					if loads[slot] = true; box.Slot(slot).RatingA < 15/4.7 {
						t.Errorf("%s: a load in %s of %g A", name, slot, box.Slot(slot).RatingA)
					}
				}
			}
		}
	}
	if len(loads) < 40 {
		t.Errorf("loads in %d slots", len(loads))
	}
}

// With one lead a place there is one round a share, and small boxes need one alone.
func TestRoundsWithOneLeadAPlace(t *testing.T) {
	b, box := testBench(t), testBox(t, "trainer-8")
	b.Leads = slices.DeleteFunc(b.Leads, func(l Lead) bool { return l.Side == "right" })
	b.Lines = slices.DeleteFunc(b.Lines, func(l Line) bool { return l.Side != "" })
	for i := range b.Leads {
		b.Leads[i].Side = ""
	}
	rounds, err := b.Rounds(box, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rounds {
		for _, p := range r.Places {
			if p.Fuse != "in" {
				t.Errorf("%+v", p)
			}
		}
	}
}

// A few slots, perhaps all dead, are tested between two rounds with the leads in others
// that are known to be live; one of those stays and joins the rounds.
func TestRoundsOfAFewSlots(t *testing.T) {
	b, box := testBench(t), testBox(t, "camper-48")
	only := []string{"c06", "c23", "c24", "c25", "c26", "c30"}
	rounds, err := b.Rounds(box, only, []string{"c01", "c02", "c03", "c33", "c45", "c27", "c31"})
	if err != nil {
		t.Fatal(err)
	}
	if len(rounds) != 6 { // two to prove, and two shares with the fuses out and in
		t.Fatalf("%+v", rounds)
	}
	seen := map[string]int{}
	for n, r := range rounds {
		if r.Places[0].Slot != "c01" || r.Places[0].Fuse != "in" {
			t.Errorf("round %d is joined by %+v", n+1, r.Places[0])
		}
		for _, p := range r.Places[1:] {
			proves := n == 0 || n == len(rounds)-1
			if proves == slices.Contains(only, p.Slot) || proves && (p.Fuse != "in" || !slices.Contains([]string{"c02", "c03", "c33", "c45"}, p.Slot)) {
				t.Errorf("round %d: %+v", n+1, p)
			}
			seen[p.Slot]++
		}
	}
	for _, id := range only {
		if seen[id] != 2 {
			t.Errorf("%s is measured %d times", id, seen[id])
		}
	}
}

func TestRoundsRefuse(t *testing.T) {
	box := testBox(t, "camper-48")
	for _, c := range []struct {
		name, want string
		change     func(b *Bench)
		only       []string
	}{
		{"a vehicle", "is on a vehicle", func(b *Bench) { b.Subject = "vehicle" }, nil},
		{"a box file", "remove box", func(b *Bench) { b.BoxFile = "x.toml" }, nil},
		{"no places", "has no places", func(b *Bench) { b.Slots = nil }, nil},
		{"a place named as a slot", "name the place otherwise", func(b *Bench) {
			b.Slots[3].Name = "c44"
			for i := range b.Leads {
				b.Leads[i].Slot = strings.Replace(b.Leads[i].Slot, "p4", "c44", 1)
			}
		}, nil},
		{"mixed", "give all places one lead or all two", func(b *Bench) { b.Leads = b.Leads[:len(b.Leads)-1] }, nil},
		{"an avoided slot", "slot c41: avoided (airbag)", func(*Bench) {}, []string{"c01", "c41"}},
		{"the network's", "slot c43: needs the vehicle's data network", func(*Bench) {}, []string{"c43"}},
		{"no such slot", `no slot "c99"`, func(*Bench) {}, []string{"c99"}},
	} {
		b := testBench(t)
		c.change(&b)
		if _, err := b.Rounds(box, c.only, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// On a single place each slot is still measured with its fuse out; a place's second lead,
// where its load is, goes to the load side.
func TestRoundsOnOnePlaceAndTheLoadSide(t *testing.T) {
	b, box := testBench(t), testBox(t, "trainer-8")
	b.Slots = b.Slots[:1]
	b.Leads = slices.DeleteFunc(b.Leads, func(l Lead) bool { return l.Role == RoleSlot && l.Slot != "p1" })
	b.Lines = slices.DeleteFunc(b.Lines, func(l Line) bool { return l.Slot != "" && l.Slot != "p1" })
	rounds, err := b.Rounds(box, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	out, loads := map[string]bool{}, 0
	for _, r := range rounds {
		in := b.InRound(box, r)
		p := r.Places[0]
		out[p.Slot] = out[p.Slot] || p.Fuse == "out"
		s := box.Slot(p.Slot)
		for _, l := range in.Lines {
			if l.Role == LineTestLoad && s.FeedSide != "" {
				if loads++; l.Side == s.FeedSide {
					t.Errorf("the load of %s is at its feed side, %s", p.Slot, l.Side)
				}
			}
		}
	}
	for id, was := range out {
		if !was {
			t.Errorf("%s is never measured with its fuse out", id)
		}
	}
	if loads == 0 {
		t.Error("no slot with a known feed side had a load")
	}
}

// Slots without volts are tested once more on the places that they had, two that had one in
// two rounds; then the leads of all of them are in slots that are live, as many at a time as
// there are. The first place stays.
func TestFurtherRounds(t *testing.T) {
	b, box := testBench(t), testBox(t, "camper-48")
	rounds, err := b.Rounds(box, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	first, second, last := rounds[0].Places, rounds[4].Places, rounds[len(rounds)-1].Places
	again, later := []string{first[1].Slot, first[2].Slot, second[1].Slot}, []string{last[3].Slot}
	sound := []string{first[0].Slot, first[3].Slot, first[4].Slot}
	var got []string
	further := b.Further(box, rounds, again, later, sound)
	for _, r := range further {
		text := fmt.Sprint(r.Number)
		for _, p := range r.Places {
			text += " " + p.Place + "=" + p.Slot
			if p.Fuse != "in" || p.Moved == (p.Slot == first[0].Slot) {
				t.Errorf("round %d: %+v", r.Number, p)
			}
		}
		got = append(got, text)
	}
	n, joins := len(rounds), " p1="+first[0].Slot
	want := []string{
		fmt.Sprintf("%d%s p2=%s p3=%s", n+1, joins, again[0], again[1]), fmt.Sprintf("%d%s p2=%s", n+2, joins, again[2]),
		fmt.Sprintf("%d%s p2=%s p3=%s", n+3, joins, sound[1], sound[2]), fmt.Sprintf("%d%s p4=%s", n+4, joins, sound[1]),
	}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if more := b.Further(box, rounds, nil, later, sound); len(more) != 1 || more[0].Places[1].Slot != sound[1] {
		t.Errorf("that lacks a later round only: %+v", more)
	}
	if more := b.Further(box, rounds, again, later, sound[:1]); more != nil {
		t.Errorf("with no slot that is live: %+v", more)
	}
}
