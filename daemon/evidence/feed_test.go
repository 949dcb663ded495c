package evidence

import (
	"math"
	"os"
	"slices"
	"testing"

	"keyturn/daemon/config"
	"keyturn/daemon/handbook"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

func readCycle(t *testing.T) *protocol.Cycle {
	t.Helper()
	text, err := os.ReadFile("../report/testdata/whole.json")
	if err != nil {
		t.Fatal(err)
	}
	d, err := protocol.Decode(text)
	if err != nil {
		t.Fatal(err)
	}
	return d.(*protocol.Cycle)
}

func readBox(t *testing.T) *config.Box {
	t.Helper()
	text, err := os.ReadFile("../../testdata/boxes/parcel-12.toml")
	if err != nil {
		t.Fatal(err)
	}
	b, _, err := config.ParseBox(text)
	if err != nil {
		t.Fatal(err)
	}
	return &b
}

// What the document and the box file say arrives, and nothing else is known.
func TestFeedSlots(t *testing.T) {
	c, box := readCycle(t), readBox(t)
	got := map[string]judge.FeedSlot{}
	for _, s := range FeedSlots(c, box, map[string]Load{"f01": {2.5, judge.LoadTyped}}) {
		got[s.Name] = s
	}
	if len(got) != len(c.Slots) {
		t.Fatalf("%d slots of %d", len(got), len(c.Slots))
	}
	if s := got["f01"]; s.RatingA != 10 || s.FeedSide != "upper" || s.Avoid != "" || s.LoadA != 2.5 || s.Basis != judge.LoadTyped || s.Lowest == nil || len(s.Below) == 0 || s.OffInStartS != nil {
		t.Errorf("f01: %+v", s)
	}
	// The heated screen is off from about the start's begin to about its end.
	start, running := c.Key[2], c.Key[3]
	if s := got["f02"]; s.OffInStartS == nil || math.Abs(s.OffInStartS.S-float64(running.AtNS-start.AtNS)*1e-9) > 0.1 || s.OffInStartS.US > 0.05 {
		t.Errorf("f02: %+v", s.OffInStartS)
	}
	if s := got["f08"]; len(s.Amiss) != 1 || s.Amiss[0] != judge.Pulsed {
		t.Errorf("f08: %+v", s.Amiss)
	}
	if s := got["f11"]; s.Avoid != "airbag" {
		t.Errorf("f11 is not to be avoided: %+v", s)
	}
	for i, b := range got["f01"].Below {
		if b.LeastS > b.MostS || i > 0 && b.LimitV <= got["f01"].Below[i-1].LimitV || i > 0 && b.MostS < got["f01"].Below[i-1].MostS {
			t.Errorf("times below: %+v", got["f01"].Below)
		}
	}
	if s := got["f03"]; s.FuseType != handbook.FuseF || s.Expected != judge.Permanent || s.BeforeV < 11.5 || s.BeforeV > 13 {
		t.Errorf("f03: %+v", s)
	}
	// The screen has no volts of its own to fall: its battery's count.
	if s := got["f02"]; s.BeforeV != float64(report.BatterySag(c).BeforeV) || s.TroughV != 0 {
		t.Errorf("f02: %g V before, %g V while the engine turned", s.BeforeV, s.TroughV)
	}
	// With the key at on it is seen at rest, behind its own joints.
	screen := *c
	screen.Slots = slices.Clone(c.Slots)
	for i := range screen.Slots {
		if x := &screen.Slots[i]; x.Slot == "f02" {
			x.Leads = slices.Clone(x.Leads)
			for k := range x.Leads {
				x.Leads[k].Levels = protocol.List[protocol.PositionLevel]{{Position: protocol.PositionOn, State: protocol.Live, V: 12.05}}
			}
		}
	}
	for _, s := range FeedSlots(&screen, box, nil) {
		if s.Name == "f02" && s.BeforeV != 12.05 {
			t.Errorf("f02 at rest: %g V before", s.BeforeV)
		}
	}
	// Of what the box file does not have nothing is known, nothing is made up, and it is refused.
	for _, s := range FeedSlots(c, &config.Box{}, nil) {
		if s.RatingA != 0 || s.FeedSide != "" || s.Basis != judge.LoadNotKnown || s.Avoid != judge.NotInBox {
			t.Errorf("without its box: %+v", s)
		}
	}
	// What somebody saw on a bench does not count: an accessory goes into a vehicle.
	c.Subject = protocol.OffVehicle
	for _, s := range FeedSlots(c, box, nil) {
		if (s.Avoid == "airbag") != (s.Name == "f11") {
			t.Errorf("out of the vehicle, %s: %q", s.Name, s.Avoid)
		}
	}
}

// What a test load found of the feed arrives, and what a parked vehicle draws once asleep.
func TestFeedEvidenceOfTestsAndShunts(t *testing.T) {
	c, box := readCycle(t), readBox(t)
	mohm, u := protocol.MilliOhms(42), protocol.MilliOhms(3)
	c.Slots[0].Source = &protocol.SlotSource{Finding: protocol.SourceFeed, PathMOhm: &mohm, PathUMOhm: &u, IncludesProbe: true}
	if p := FeedSlots(c, box, nil)[0].Path; p == nil || *p != (judge.Path{MOhm: 42, UMOhm: 3, IncludesProbe: true}) {
		t.Errorf("%+v", p)
	}
	if p := FeedSlots(c, box, nil)[1].Path; p != nil {
		t.Errorf("%+v", p)
	}
	if ma, known := VehicleMA(c); known {
		t.Errorf("%g mA without a shunt", ma)
	}
	ma := protocol.MilliAmps(22.5)
	c.Quiescent = &protocol.Quiescent{CurrentMA: &ma, Asleep: &protocol.Asleep{}}
	if got, known := VehicleMA(c); !known || got != 22.5 {
		t.Errorf("%g mA, %v", got, known)
	}
	awake, bridged := *c.Quiescent, *c.Quiescent
	awake.Asleep, bridged.NoCurrent = nil, true
	for _, q := range []protocol.Quiescent{awake, bridged, {Asleep: &protocol.Asleep{}}} {
		c.Quiescent = &q
		if ma, known := VehicleMA(c); known {
			t.Errorf("%g mA of %+v", ma, q)
		}
	}
}

func TestThreeBladesAreFedInTheMiddle(t *testing.T) {
	box := &config.Box{Zone: config.ZoneEngineBay, Slots: []config.BoxSlot{{ID: "f01", Kind: "micro-three-blades", RatingA: 10, Avoid: config.AvoidUnknown, Control: config.ControlNetwork}}}
	s := FeedSlots(&protocol.Cycle{Slots: protocol.List[protocol.CycleSlot]{{Slot: "f01"}}}, box, nil)[0]
	if s.FeedSide != "middle" || !s.EngineBay || !s.Network || s.Avoid != "unknown" {
		t.Errorf("%+v", s)
	}
}
