package report

import (
	"strings"
	"testing"

	"keyturn/daemon/handbook"
	"keyturn/daemon/judge"
)

// What the answers of the command do not show: joints, a tap that nobody knows, a slot that
// the box file does not have.
func TestFeedReasonsInWords(t *testing.T) {
	no := false
	slot := judge.FeedSlot{
		Slot: judge.Slot{Name: "f01", Behaviour: judge.Permanent, WatchedOffS: 4000, OffInStart: &no, Lowest: &judge.Dip{V: 9}}, RatingA: 30, FeedSide: "left",
		FuseType: handbook.FuseC, LoadA: 1, Basis: judge.LoadWorstCase, Expected: judge.Permanent,
	}
	for says, change := range map[string]func(*judge.FeedSlot){ // each by itself
		"Not f01: bad joint: its feed loses 1.50 V at the 30 A of its fuse, 0.5 V are the most.": func(s *judge.FeedSlot) { s.Path = &judge.Path{MOhm: 50, UMOhm: 1} },
		"Not f01: not in the box file.": func(s *judge.FeedSlot) { s.Avoid = judge.NotInBox },
		"Not f01: nobody may touch it.": func(s *judge.FeedSlot) { s.Avoid = "airbag" },
		"Fuse: not known; which type does the tap take? The slot's own 30 A fuse stays.":                                func(s *judge.FeedSlot) { s.FuseType = "other" },
		"feed side: left. But: which fuse its tap takes is not known.":                                                  func(s *judge.FeedSlot) { s.FuseType = "other" },
		"But: the box file says live with the ignition on (15), it is permanent (30): find out why first.":              func(s *judge.FeedSlot) { s.Expected = judge.Ignition },
		"Fuse: 1 A (8820-3-C) for the added circuit; the slot's own 30 A fuse stays.":                                   func(*judge.FeedSlot) {},
		"Parked: stays live (watched for 66 min 40 s). 20 mA and the vehicle's own 22 mA take 50 Ah from 80 to 50 % in": func(*judge.FeedSlot) {},
	} {
		s := slot
		change(&s)
		w := judge.Want{CurrentA: 0.5, MinimumV: 7}
		f := FeedAnswer{Want: w, Choices: judge.ChooseFeed(w, []judge.FeedSlot{s}), Parked: &Parked{Standby: handbook.Standby{CapacityAh: 50, FromPercent: 80, LowestPercent: 50, DrawMA: 42}, AccessoryMA: 20, VehicleKnown: true}}
		if got := strings.Join(f.Lines(), "\n"); !strings.Contains(got, says) {
			t.Errorf("no %q in\n%s", says, got)
		}
	}
	off := slot
	off.Behaviour, off.Expected, off.StaysOn = judge.Ignition, judge.Ignition, &judge.Time{S: 0.002}
	w := judge.Want{Switched: true, CurrentA: 0.5, MinimumV: 7}
	f := FeedAnswer{Want: w, Choices: judge.ChooseFeed(w, []judge.FeedSlot{off}), Parked: &Parked{AccessoryMA: 20}}
	if got := strings.Join(f.Lines(), "\n"); !strings.Contains(got, "off at once after key-off; the accessory's 20 mA are not drawn from then on.") {
		t.Error(got)
	}
}

// A capacitor's diode is told apart from what the accessory needs, and what it may bridge is
// not said to be near the minimum.
func TestStartsWithACapacitorInWords(t *testing.T) {
	no := false
	for says, x := range map[string]struct {
		minimumV, farad float64
		below           []judge.Below
	}{ // each by itself
		"Cranking: works on; lowest 9.00 V, it needs 7.0 V and the 0.5 V of its diode":                              {7, 0.01, nil},
		"Cranking: works on; lowest 9.00 V, it needs 7.0 V.":                                                        {7, 0, nil},
		"Cranking: falls to 9.00 V, below its 9.4 V; it would restart.":                                             {9.4, 0, nil},
		"Cranking: falls to 9.00 V, below its 9.4 V and the 0.5 V of its diode; it would restart; ":                 {9.4, 1e-6, []judge.Below{{LimitV: 9.5, LeastS: 0.1, MostS: 0.1}, {LimitV: 10, LeastS: 0.2, MostS: 0.2}}},
		"Cranking: falls to 9.00 V, too near its 8.5 V and the 0.5 V of its diode to tell; ":                        {8.5, 0.01, nil},
		"Cranking: off or too low for 200.0 ms; not sure that the capacitor bridges it; behind a diode 10000":       {9.4, 0.01, []judge.Below{{LimitV: 9.5, LeastS: 0, MostS: 0.1}, {LimitV: 10, LeastS: 0.2, MostS: 0.2}}},
		"Cranking: too low, nobody knows for how long; not sure that the capacitor bridges it; behind a diode 1000": {9.4, 0.001, nil},
	} {
		slot := judge.FeedSlot{
			Slot: judge.Slot{Name: "f01", Behaviour: judge.Ignition, StaysOn: &judge.Time{}, OffInStart: &no, Lowest: &judge.Dip{V: 9, UV: 0.01}}, RatingA: 30, FeedSide: "left",
			FuseType: handbook.FuseC, LoadA: 1, Basis: judge.LoadWorstCase, BeforeV: 12.5, Below: x.below,
		}
		w := judge.Want{Switched: true, CurrentA: 0.5, MinimumV: x.minimumV, HoldUpF: x.farad}
		f := FeedAnswer{Want: w, Choices: judge.ChooseFeed(w, []judge.FeedSlot{slot}), Parked: &Parked{}}
		if got := strings.Join(f.Lines(), "\n"); !strings.Contains(got, says) {
			t.Errorf("no %q in\n%s", says, got)
		}
	}
}
