package report

import (
	"slices"
	"strings"
	"testing"

	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

func whole(t *testing.T) *protocol.Cycle {
	t.Helper()
	return protocoltest.Cycle(t, "testdata/whole.json")
}

// What was not tested is told, one cause at a time.
func TestNotTestedTellsEachGap(t *testing.T) {
	base := NotTested(whole(t), nil)
	for _, x := range []struct {
		change func(c *protocol.Cycle)
		say    string
	}{
		{func(c *protocol.Cycle) { c.Final, c.Ended = false, "" }, "The key cycle is still open: a later revision may say more."},
		{func(c *protocol.Cycle) { c.Ended = protocol.EndedInterrupted }, "The bench restarted before the key cycle was over."},
		{func(c *protocol.Cycle) { c.Ended = protocol.EndedNext }, "The next key cycle began before every slot had settled."},
		{func(c *protocol.Cycle) { c.Key = c.Key[1:] }, "Key positions not seen: accessory."},
		{func(c *protocol.Cycle) { c.Key = c.Key[:2] }, "Key positions not seen: start; on, engine running; off again."},
		{func(c *protocol.Cycle) { c.Key = c.Key[:2] }, "No start was seen: nothing is known of falls while cranking."},
		{func(c *protocol.Cycle) { c.Battery = nil }, "The battery's own fall while cranking was not measured: there was no battery sense lead."},
		{func(c *protocol.Cycle) { c.Battery.Crank[0].Sag = nil }, "No start could be measured."},
		{func(c *protocol.Cycle) {
			c.Battery.Crank = append(c.Battery.Crank, protocol.Crank{CrankDetail: protocol.CrankDetail{NotMeasured: "no samples"}})
		}, "1 of 2 starts could not be measured."},
		{func(c *protocol.Cycle) { c.Slots[0].Behaviour = protocol.NotProven }, "Not proven: f01."},
		{func(c *protocol.Cycle) { c.Slots[0].StaysOnOpen = true }, "Still live when the watch ended: f01."},
		{func(c *protocol.Cycle) { c.Slots[0].Leads[0].LeftOut = 3 }, "Some changes are not listed: f01."},
		{func(c *protocol.Cycle) { c.Slots[0].Leads = nil }, "No lead tells of: f01."},
		{func(c *protocol.Cycle) { c.Slots[0].WatchedS -= 2 }, "Not seen for a time, for their leads were blind: f01 (2.0 s)."},
	} {
		c := whole(t)
		x.change(c)
		if got := NotTested(c, nil); !slices.Contains(got, x.say) {
			t.Errorf("%q is not among %q", x.say, got)
		}
		if slices.Contains(base, x.say) {
			t.Errorf("%q is told of a whole key cycle too", x.say)
		}
	}
	d := &protocol.Description{Slots: protocol.List[protocol.BenchSlot]{{Slot: "f01"}, {Slot: "f77"}}}
	if got := NotTested(whole(t), d); !slices.Contains(got, "Slots of the bench that the key cycle says nothing of: f77.") {
		t.Errorf("f77 is under test and not told of: %q", got)
	}
}

// Every figure of a sheet bears its uncertainty at k = 2, rounded up.
func TestSheetFiguresHaveTheirUncertainty(t *testing.T) {
	u, stays := protocol.Millis(1.26), protocol.Seconds(0.975)
	c := &protocol.Cycle{Key: protocol.List[protocol.KeyMove]{{Position: protocol.PositionOn, AtNS: 1e9, UUS: 300}},
		Slots: protocol.List[protocol.CycleSlot]{{Slot: "f01", Behaviour: protocol.Ignition, StaysOnS: &stays, StaysOnUMS: &u, Leads: protocol.List[protocol.CycleLead]{{
			Transitions: protocol.List[protocol.Transition]{{Edge: protocol.Edge{State: protocol.Live, AtNS: 1e9 + 12e6, UUS: 400}}},
			Crank:       protocol.List[protocol.Crank]{{CrankDetail: protocol.CrankDetail{Sag: &protocol.Sag{MinV: 7.894, MinUV: 0.021, HiddenDipV: 0.083}}}}}}}}}
	r := SheetRows(c)[0]
	if r.OnAfter != "12.0 ± 1.0 ms" { // 2 · hypot(0.3, 0.4) ms
		t.Errorf("on after %s", r.OnAfter)
	}
	if r.OffAfter != "975.0 ± 2.6 ms" {
		t.Errorf("off after %s", r.OffAfter)
	}
	if r.Lowest != "7.89 ± 0.05 V, unseen up to 0.09 V lower" {
		t.Errorf("lowest %s", r.Lowest)
	}
	for s, want := range map[float64]string{4.44: "4.44 ± 0.11 s", 245: "4 min 5 s ± 0.2 s"} { // each by itself
		if got := secondsWithin(s, 0.105); got != want {
			t.Errorf("%g s is %q, want %q", s, got, want)
		}
	}
	for _, r := range SheetRows(whole(t)) {
		for _, f := range []string{r.OnAfter, r.OffAfter, r.Lowest} {
			if f != "" && !strings.Contains(f, "±") && !strings.Contains(f, "at or below") && !strings.Contains(f, "still on") {
				t.Errorf("%s: %q stands without its uncertainty", r.Slot, f)
			}
		}
	}
}

func TestHowMeasuredSaysWhatIsKnown(t *testing.T) {
	c := whole(t)
	if got := HowMeasured(c, nil); !strings.Contains(strings.Join(got, " "), "(revision 287c7983b8c9) is not in the records") {
		t.Errorf("without a description: %q", got)
	}
	mean := protocol.Micros(6300)
	d := &protocol.Description{Software: "keyturn 1", BatterySense: "bat", Limits: protocol.Limits{LiveAbove: 0.6, DeadBelow: 0.3, WatchS: 600},
		Chips: protocol.List[protocol.BenchChip]{{Family: "ads1115"}, {Family: "ads1015"}, {Family: "ads1115"}},
		Leads: protocol.List[protocol.BenchLead]{{Lead: "bat", IntervalBoundUS: 7000, IntervalMeanUS: &mean, Calibration: protocol.Calibration{Date: "2026-03-02"}},
			{Lead: "l-2", IntervalBoundUS: 6500, Calibration: protocol.Calibration{Date: "2026-01-30"}}, {Lead: "l-3"}}}
	got := strings.Join(HowMeasured(c, d), "\n")
	for _, want := range []string{"k = 2", "3 leads on 2 ads1115 and 1 ads1015.", "every 6.30 ms or more often (mean); at least every 7.00 ms by plan", "Live above 60 %, no volts below 30 %",
		"at most 10 min after key-off", "Leads calibrated from 2026-01-30 to 2026-03-02; never: l-3, whose volts are by the parts' tolerances."} {
		if !strings.Contains(got, want) {
			t.Errorf("lacks %q:\n%s", want, got)
		}
	}
	d.BatterySense, d.Leads = "", d.Leads[2:]
	d.Limits.LiveAboveV, d.Limits.DeadBelowV = 7.5, 3.8
	got = strings.Join(HowMeasured(c, d), "\n")
	for _, want := range []string{"No battery sense lead: live above 7.5 V, no volts below 3.8 V", "No lead was ever calibrated"} {
		if !strings.Contains(got, want) {
			t.Errorf("lacks %q:\n%s", want, got)
		}
	}
	// GUM: 2·√((12.6·0.001)² + 0.002²) V = 25.5 mV, rounded up.
	if got := LeadUncertainty(&protocol.Calibration{UGain: 0.001, UOffsetV: 0.002}); got != "± 26 mV" {
		t.Errorf("%s at 12.6 V", got)
	}
}
