package judge

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"keyturn/daemon/handbook"
)

// good is a slot that nothing is against.
func good(name string) FeedSlot {
	return FeedSlot{
		Slot:    Slot{Name: name, Behaviour: Ignition, StaysOn: &Time{S: 0.4, US: 0.001}, WatchedOffS: 60, OffInStart: no(), Lowest: &Dip{V: 9.1, UV: 0.05, HiddenV: 0.2}},
		RatingA: 15, FeedSide: "left", LoadA: 2, Basis: LoadWorstCase,
		Below: []Below{{6, 0, 0}, {8, 0, 0}, {9, 0, 0}, {9.6, 0.03, 0.04}, {10.5, 0.9, 0.92}},
	}
}

func switched() Want {
	most := 5.0
	return Want{Switched: true, AddedType: handbook.FuseC, CurrentA: 3, MinimumV: 8, OnAfterOffMostS: &most}
}

// Worked example 13 of the handbook's EXAMPLES.md. The shares are of a vehicle maker's
// guideline for body builders, 2004: 80 % in the cabin, 60 % in the engine bay.
func TestSpare(t *testing.T) {
	for _, x := range []struct {
		bay        bool
		load, want float64
	}{{false, 0, 12}, {true, 0, 9}, {false, 4, 8}, {true, 10, -1}} {
		if got := SpareA(15, x.bay, x.load); math.Abs(got-x.want) > 1e-12 {
			t.Errorf("15 A, engine bay %v, %g A drawn: %g A to spare, want %g", x.bay, x.load, got, x.want)
		}
	}
}

func TestAddedFuse(t *testing.T) {
	for _, x := range []struct {
		currentA, limitA, want float64
		within                 bool
	}{
		{3, 12, 4, true}, {3.3, 12, 5, true}, {4, 12, 5, true}, {4.1, 12, 7.5, true}, {4.1, 7, 7.5, false}, {12, 12, 15, false}, {100, 500, 0, false},
	} {
		if got, within := AddedFuseA(handbook.FuseC, x.currentA, x.limitA); got != x.want || within != x.within {
			t.Errorf("%g A within %g A: %g A, %v, want %g, %v", x.currentA, x.limitA, got, within, x.want, x.within)
		}
	}
}

// One change to a good slot, and what it does to the answer.
func TestChooseFeed(t *testing.T) {
	permanent := Want{AddedType: handbook.FuseC, CurrentA: 1, MinimumV: 8}
	for _, x := range []struct {
		name     string
		want     Want
		change   func(*FeedSlot)
		weight   Weight
		code     ReasonCode
		restarts Answer
	}{
		{"nothing against", switched(), func(*FeedSlot) {}, Speaks, LiveAsWanted, No},
		{"avoided", switched(), func(s *FeedSlot) { s.Avoid = "airbag" }, Refuses, Avoided, NotKnown},
		{"network", switched(), func(s *FeedSlot) { s.Network = true }, Refuses, Untestable, No},
		{"bad joint", switched(), func(s *FeedSlot) { s.Amiss = []Amiss{HighResistance} }, Refuses, Faulty, No},
		{"permanent where switched is wanted", switched(), func(s *FeedSlot) { s.Behaviour = Permanent }, Refuses, WrongBehaviour, No},
		{"switched where permanent is wanted", permanent, func(*FeedSlot) {}, Refuses, WrongBehaviour, No},
		{"watched for an hour", permanent, func(s *FeedSlot) { s.Behaviour, s.WatchedOffS = Permanent, 3600 }, Speaks, PermanentWatched, No},
		{"watched for a minute", permanent, func(s *FeedSlot) { s.Behaviour = Permanent }, Provisional, PermanentWatched, No},
		{"awake is not permanent", permanent, func(s *FeedSlot) { s.Behaviour = Awake }, Refuses, WrongBehaviour, No},
		{"not proven", switched(), func(s *FeedSlot) { s.Behaviour = NotProven }, Against, BehaviourNotProven, No},
		{"with the engine only", switched(), func(s *FeedSlot) { s.Behaviour = EngineRunning }, Provisional, OnlyWithEngine, No},
		{"with the engine only, and so without a start", switched(), func(s *FeedSlot) { s.Behaviour, s.OffInStart = EngineRunning, nil }, Provisional, OnlyWithEngine, No},
		{"on too long", switched(), func(s *FeedSlot) { s.StaysOn = &Time{S: 240} }, Against, OnTooLong, No},
		{"still on when last seen", switched(), func(s *FeedSlot) { s.StaysOn = &Time{S: 2, Open: true} }, Provisional, OffNotSeen, No},
		{"already on too long when last seen", switched(), func(s *FeedSlot) { s.StaysOn = &Time{S: 20, Open: true} }, Against, OnTooLong, No},
		{"rating not known", switched(), func(s *FeedSlot) { s.RatingA = 0 }, Against, RatingNotKnown, No},
		{"no spare", switched(), func(s *FeedSlot) { s.LoadA = 9.5 }, Refuses, TooLittleSpare, No},
		{"no spare in the engine bay", switched(), func(s *FeedSlot) { s.LoadA, s.EngineBay = 6.5, true }, Refuses, TooLittleSpare, No},
		{"no fuse below the spare", switched(), func(s *FeedSlot) { s.LoadA = 8.9 }, Refuses, NoFuseFits, No},
		{"no fuse below the tap's", func() Want { w := switched(); w.AddedMostA = 3; return w }(), func(*FeedSlot) {}, Refuses, NoFuseFits, No},
		{"seen only", switched(), func(s *FeedSlot) { s.Basis = LoadSeen }, Provisional, SpareProvisional, No},
		{"side not known", switched(), func(s *FeedSlot) { s.FeedSide = "" }, Provisional, SideNotKnown, No},
		{"no start", switched(), func(s *FeedSlot) { s.OffInStart = nil }, Provisional, StartNotSeen, NotKnown},
		{"off in start", switched(), func(s *FeedSlot) { s.OffInStart = yes() }, Against, UnfedInStart, Yes},
		{"off in start, and it rides through", func() Want { w := switched(); w.RidesThroughS = 2; return w }(),
			func(s *FeedSlot) { s.OffInStart, s.OffInStartS = yes(), &Time{S: 1.5, US: 0.001} }, Speaks, RidesStart, No},
		{"off in start for longer", func() Want { w := switched(); w.RidesThroughS = 1; return w }(),
			func(s *FeedSlot) { s.OffInStart, s.OffInStartS = yes(), &Time{S: 1.5} }, Against, UnfedInStart, Yes},
		{"falls below the minimum", func() Want { w := switched(); w.MinimumV = 9.5; return w }(), func(*FeedSlot) {}, Against, RestartsInStart, Yes},
		{"falls below, and it rides through", func() Want { w := switched(); w.MinimumV, w.RidesThroughS = 9.5, 0.1; return w }(), func(*FeedSlot) {}, Speaks, RidesStart, No},
		{"falls below, for longer than under a lower limit", func() Want { w := switched(); w.MinimumV, w.RidesThroughS = 9.8, 0.01; return w }(), func(*FeedSlot) {}, Against, RestartsInStart, Yes},
		{"falls below, for how long is not known", func() Want { w := switched(); w.MinimumV, w.RidesThroughS = 9.8, 0.1; return w }(), func(*FeedSlot) {}, Provisional, StartUndecided, NotKnown},
		{"a dip may have been missed", func() Want { w := switched(); w.MinimumV = 8.9; return w }(), func(*FeedSlot) {}, Provisional, StartUndecided, NotKnown},
		{"the lowest is a bound", switched(), func(s *FeedSlot) { s.Lowest.AtOrBelow = true }, Provisional, StartUndecided, NotKnown},
		{"minimum not known", func() Want { w := switched(); w.MinimumV = 0; return w }(), func(*FeedSlot) {}, Provisional, MinimumNotKnown, NotKnown},
		{"not what the box file says", switched(), func(s *FeedSlot) { s.Expected = Permanent }, Against, NotAsInBox, No},
		{"what the box file says", switched(), func(s *FeedSlot) { s.Expected = Ignition }, Speaks, LiveAsWanted, No},
		{"not proven, and so not against the box file", switched(), func(s *FeedSlot) { s.Behaviour, s.Expected = NotProven, Permanent }, Against, BehaviourNotProven, No},
		{"which fuse the tap takes is not known", func() Want { w := switched(); w.AddedType = ""; return w }(), func(*FeedSlot) {}, Against, TapFuseNotKnown, No},
		{"the tap takes the slot's type", func() Want { w := switched(); w.AddedType = ""; return w }(), func(s *FeedSlot) { s.FuseType = handbook.FuseF }, Speaks, SpareKnown, No},
		{"a type of which no ratings are known", func() Want { w := switched(); w.AddedType = ""; return w }(), func(s *FeedSlot) { s.FuseType = "other" }, Against, TapFuseNotKnown, No},
		{"below for as long as a scan may miss", func() Want { w := switched(); w.MinimumV, w.RidesThroughS = 9.5, 0.05; return w }(), func(*FeedSlot) {}, Provisional, StartUndecided, NotKnown},
	} {
		s := good("f01")
		x.change(&s)
		c := ChooseFeed(x.want, []FeedSlot{s})[0]
		if c.Weight() != x.weight || c.Restarts != x.restarts || !slices.ContainsFunc(c.Reasons, func(r Reason) bool { return r.Code == x.code && r.Weight == x.weight }) {
			t.Errorf("%s: weight %d, restarts %d, %+v\nwant weight %d by %s, restarts %d", x.name, c.Weight(), c.Restarts, c.Reasons, x.weight, x.code, x.restarts)
		}
	}
}

// What is to be avoided is refused whatever its figures, and nothing is said of it that
// could tempt anybody; the added fuse is never larger than the spare current or the
// vehicle's own fuse; the answer does not hang on the order of the slots.
func TestChooseFeedAlways(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	behaviours := []Behaviour{NotProven, NoVolts, Permanent, Ignition, Accessory, StartOnly, EngineRunning, Awake, SwitchOperated, Intermittent}
	for range 2000 {
		w := Want{AddedType: handbook.FuseC, Switched: rng.IntN(2) == 0, CurrentA: 12 * rng.Float64(), MinimumV: 6 + 5*rng.Float64(), RidesThroughS: rng.Float64()}
		var slots []FeedSlot
		for i := range 1 + rng.IntN(12) {
			s := good(fmt.Sprintf("f%02d", i))
			s.Behaviour = behaviours[rng.IntN(len(behaviours))]
			s.LoadA, s.Basis, s.EngineBay = 15*rng.Float64(), LoadBasis(rng.IntN(4)), rng.IntN(2) == 0
			s.Network = rng.IntN(5) == 0
			if rng.IntN(4) == 0 {
				s.Avoid = "steering"
			}
			slots = append(slots, s)
		}
		got := ChooseFeed(w, slots)
		for _, c := range got {
			switch {
			case c.Slot.Avoid != "" && (c.Fits() || len(c.Reasons) != 1 || c.AddedFuseA != 0):
				t.Fatalf("a slot to avoid: %+v", c)
			case c.Slot.Network && c.Fits():
				t.Fatalf("a slot that cannot be tested fits: %+v", c)
			case c.AddedFuseA > max(0, c.SpareA) || c.AddedFuseA > c.Slot.RatingA:
				t.Fatalf("the added fuse is too large: %+v", c)
			case c.Fits() && w.CurrentA > c.SpareA:
				t.Fatalf("no current to spare: %+v", c)
			}
		}
		rng.Shuffle(len(slots), func(i, k int) { slots[i], slots[k] = slots[k], slots[i] })
		for i, c := range ChooseFeed(w, slots) {
			if c.Slot.Name != got[i].Slot.Name {
				t.Fatalf("another order of slots gives another answer: %s, %s", c.Slot.Name, got[i].Slot.Name)
			}
		}
	}
}

// The drop is that of the handbook's own formula; the wire carries its fuse.
func TestWireFor(t *testing.T) {
	w := Wiring{Standard: handbook.ISO6722, LengthM: 5, Return: handbook.ReturnInWire, Laid: handbook.Laid{InsulationC: 85, AmbientC: 40}, DropMostV: 0.36}
	for _, x := range []struct{ currentA, fuseA float64 }{{0.1, 1}, {3, 5}, {3, 20}, {12, 15}} {
		c, err := WireFor(w, x.currentA, x.fuseA)
		if err != nil {
			t.Fatal(err)
		}
		drop, err := c.Wire.DropV(handbook.Run{LengthM: 5, Return: handbook.ReturnInWire, CurrentA: x.currentA, ConductorC: 85})
		if err != nil || math.Abs(drop-c.DropV) > 1e-12 || drop > 0.36 || c.Ampacity.A < x.fuseA {
			t.Errorf("%g A behind %g A: %+v, its drop is %g V, %v", x.currentA, x.fuseA, c, drop, err)
		}
	}
	if c, err := WireFor(Wiring{Standard: handbook.ISO6722, LengthM: 50, Return: handbook.ReturnInWire, Laid: w.Laid, DropMostV: 0.01}, 20, 30); err == nil {
		t.Errorf("a wire that cannot be: %+v", c)
	}
}
