package daemon

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"keyturn/adc/vehicle"
	"keyturn/daemon/config"
	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// A box of four on a driven bench, from the voltage at the pins to the verdict: two
// scripts, one with starts and one with bleed resistors and a test load, are the rounds.
// Every fault that a board can have is found and named, and nothing else fails.
func TestBoxFromVoltsToVerdict(t *testing.T) {
	rng := rand.New(rand.NewPCG(77, 5))
	const boxes = 20
	good, passed := 0, 0
	for n := range boxes {
		faulty, fault := rng.IntN(4), []string{"none", "wrong circuit", "no volts", "ghost", "joint"}[n%5]
		slots, box := drawBox(rng)
		if fault == "joint" {
			faulty = 0 // the test load is in the first slot
		}
		if fault == "ghost" {
			faulty = rng.IntN(2) // bleed resistors are in the first two
		}
		plantIn(rng, &slots[faulty], &box.Slots[faulty], fault)
		first, second := boardRound(t, 1, "start.toml", slots), boardRound(t, 2, "short.toml", slots)
		in, err := evidence.BoxSlots([]*protocol.Cycle{second, first}, box, false)
		if err != nil {
			t.Fatal(err)
		}
		limits := judge.DefaultLimits()
		limits.LeftOut = []judge.Check{judge.CheckSides}
		for i, v := range judge.JudgeBox(limits, in).Slots {
			if fault != "none" && i == faulty {
				if !boardFault(v, fault) {
					t.Errorf("box %d, %s in %s: %+v", n, fault, v.Slot, v)
				}
				continue
			}
			good++
			if v.Outcome == judge.Fail {
				t.Errorf("box %d, %s is good: %+v", n, v.Slot, v)
			}
			if i == 0 && v.Outcome == judge.Pass {
				passed++
			}
		}
	}
	t.Logf("%d boxes, %d good slots, of those with a test load %d passed", boxes, good, passed)
	if passed == 0 {
		t.Error("no slot passed")
	}
}

// drawBox draws a sound board, and the file of its box.
func drawBox(rng *rand.Rand) ([]vehicle.BoardSlot, *config.Box) {
	feeds := []vehicle.Terminal{vehicle.Terminal30, vehicle.Terminal75, vehicle.Terminal15, vehicle.Terminal50}
	words := []string{"permanent", "accessory", "ignition", "start-only"}
	box := &config.Box{ID: "drawn", Zone: config.ZoneCabin}
	var slots []vehicle.BoardSlot
	for i := range 4 {
		k := rng.IntN(4)
		if i < 2 {
			k = rng.IntN(3) // they are tested with the key on
		}
		s := vehicle.BoardSlot{Feed: feeds[k], SourceOhm: 0.002 + 0.003*rng.Float64()}
		if i == 0 {
			s.LoadOhm = 4.7
		}
		slots = append(slots, s)
		box.Slots = append(box.Slots, config.BoxSlot{ID: fmt.Sprintf("f%02d", i+1), Kind: []string{"8820-3-C", "8820-3-E", "8820-3-F", "other"}[i], Expected: words[k], Avoid: config.AvoidNo})
	}
	return slots, box
}

func plantIn(rng *rand.Rand, s *vehicle.BoardSlot, b *config.BoxSlot, fault string) {
	switch fault {
	case "wrong circuit":
		for was := s.Feed; s.Feed == was; {
			s.Feed = vehicle.Terminal30 + vehicle.Terminal(rng.IntN(3))
		}
	case "no volts":
		s.Feed = vehicle.NoFeed
	case "ghost":
		s.Feed, s.GhostV, s.GhostOhm = vehicle.NoFeed, 12, 15e3
	case "joint":
		s.SourceOhm = 0.06 * math.Pow(2/0.06, rng.Float64())
	}
}

// boardFault reports whether a verdict names a fault. Nothing proves the lead of a slot
// that never had volts.
func boardFault(v judge.Verdict, fault string) bool {
	codes := map[string][]judge.ReasonCode{
		"wrong circuit": {judge.WrongBehaviour}, "no volts": {judge.NoVoltsOrLeadOff}, "ghost": {judge.GhostFound}, "joint": {judge.ContactResistance},
	}[fault]
	return v.Outcome != judge.Pass && slices.ContainsFunc(v.Reasons, func(r judge.VerdictReason) bool { return r.Makes < judge.Pass && slices.Contains(codes, r.Code) })
}

// boardRound is the key cycle of a script on a board.
func boardRound(t *testing.T, n int64, script string, slots []vehicle.BoardSlot) *protocol.Cycle {
	s := newStand(t, script, script == "start.toml", slots...)
	s.run()
	c := s.final()
	c.ID, c.Seq = fmt.Sprintf("%s-%d", c.ID, n), n
	return c
}
