package config

import (
	"os"
	"reflect"
	"strings"
	"testing"
	"time"
)

func families() []Family {
	return []Family{{Name: "ads1115", Inputs: 4, Addresses: []int{0x48, 0x49, 0x4A, 0x4B}, Rates: []int{8, 860}, RangesV: []float64{2.048, 4.096}}}
}

func example(t testing.TB) []byte {
	t.Helper()
	text, err := os.ReadFile("../../testdata/benches/training.toml")
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func TestExampleBenchIsRead(t *testing.T) {
	b, err := ParseBench(example(t), families())
	if err != nil {
		t.Fatal(err)
	}
	p := b.Params()
	if err := p.Check(); err != nil {
		t.Error(err)
	}
	if len(p.Leads) != 16 || len(b.Chips) != 4 || len(p.Slots) != 12 || p.BatterySense != 0 || p.Key.Accessory != 1 || p.Key.On != 2 || p.Key.Start != 3 {
		t.Errorf("params %+v", p)
	}
	// 33 kΩ with 2.7 kΩ and 560 nF, worked by hand: 13.2222, 1.39765 ms, 1.512 ms.
	if l := p.Leads[5]; l.Calibration.Gain < 13.222 || l.Calibration.Gain > 13.2223 || l.Tau.Microseconds() != 1397 || l.TauFloating.Round(time.Nanosecond*10) != 1512*time.Microsecond || l.UTau != 0.03 {
		t.Errorf("lead %+v", l)
	}
}

func TestCalibrationGoesBeforeTheDivider(t *testing.T) {
	l := Lead{UpperKOhm: 33, LowerKOhm: 2.7, CapacitorNF: 560, UTau: 0.02}
	if got := l.lead(); got.UTau != 0.02 || got.Calibration.Date != "" {
		t.Errorf("nominal: %+v", got)
	}
	l.Calibration = &Calibration{Gain: 13.2, OffsetV: 0.01, UGain: 0.001, UOffsetV: 0.002, Date: "2026-11-02", TauUS: 1401.487, TauFloatingUS: 1515.5, UTau: 0.005}
	got := l.lead()
	if got.Calibration.Gain != 13.2 || got.Calibration.OffsetV != 0.01 || got.Tau != 1401487 || got.TauFloating != 1515500 || got.UTau != 0.005 {
		t.Errorf("calibrated: %+v", got)
	}
	l.Calibration.TauUS, l.Calibration.TauFloatingUS, l.Calibration.UTau = 0, 0, 0
	if got := l.lead(); got.Tau.Microseconds() != 1397 || got.UTau != 0.02 {
		t.Errorf("calibrated without time constants: %+v", got)
	}
}

func TestWrittenBenchIsReadAsTheSame(t *testing.T) {
	b, err := ParseBench(example(t), families())
	if err != nil {
		t.Fatal(err)
	}
	b.Limits = Limits{LiveAbove: 0.7, DeadBelow: 0.2, LiveAboveV: 8, DeadBelowV: 3, GhostBelow: 0.5, WatchS: 1.5, GapMaxMS: 80, BounceMS: 4.25, BelowV: []float64{9.6, 6}}
	b.IgnitionSlot, b.MQTT.Root = "f04", "shop/bay-2"
	b.Chips[0].Rate, b.Chips[0].RangeV = 860, 4.096
	b.Slots[1].Legend = `A "quoted" größe \ #`
	b.Leads[7].Calibration = &Calibration{Gain: 13.2, OffsetV: 0.01, UGain: 0.001, UOffsetV: 0.002, Date: "2026-11-02", TauUS: 1401.5, UTau: 0.005}
	b.Leads[8].UTau = 0.02
	b.Leads[9].Side, b.Leads[10].Side, b.Leads[10].Slot = "left", "right", b.Leads[9].Slot
	b.Slots = append(b.Slots[:6], b.Slots[7:]...)
	writeAndRead(t, b)
}

func writeAndRead(t *testing.T, b Bench) {
	t.Helper()
	text, err := b.TOML()
	if err != nil {
		t.Fatal(err)
	}
	again, err := ParseBench(text, families())
	if err != nil || !reflect.DeepEqual(b, again) {
		t.Errorf("written and read again it differs: %v\n%s\n%+v\n%+v", err, text, b, again)
	}
}

func TestFaultyBenchIsNoBench(t *testing.T) {
	b, err := ParseBench([]byte(strings.Replace(string(example(t)), "0x49", "0x50", 1)), families())
	if err == nil || !reflect.DeepEqual(b, Bench{}) {
		t.Errorf("%v with %+v", err, b)
	}
}
