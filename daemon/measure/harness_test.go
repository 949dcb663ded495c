package measure_test

import (
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/ads1x15"
	"keyturn/adc/vehicle"
	"keyturn/daemon/measure"
)

// bench is leads behind simulated chips on a virtual bus: four ADS1115 of four
// inputs at 400 kHz, 50 µs a transaction, noise of the data sheet.
type bench struct {
	bus     *adctest.Bus
	chips   []*adctest.ADS1x15
	scanner *adc.Scanner
	merge   *adc.Merge
	engine  *measure.Engine
	events  []measure.Event
}

// newBench wires 16 waves to a bench; nil is a lead on earth.
func newBench(t testing.TB, seed uint64, start adc.Instant, p measure.Params, waves []adctest.Wave) *bench {
	t.Helper()
	b := &bench{engine: measure.New(p)}
	b.bus = adctest.NewBus(adctest.BusOptions{Seed: seed, Start: start, OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond})
	b.merge = adc.NewMerge(1, func(in adc.Input) { b.events = append(b.events, b.engine.Step(in)...) })
	var plans []adc.ChipPlan
	for c := range 4 {
		o := adctest.ADS1x15Options{Address: 0x48 + uint16(c), Seed: seed<<3 + uint64(c), NoiseV: adctest.DataSheetNoiseV}
		off := 0.08 * (float64((seed*7+uint64(c)*5)%17)/8 - 1)
		o.Oscillator = func(adc.Instant) float64 { return off }
		var inputs []adc.PlannedInput
		for i := range 4 {
			if lead := 4*c + i; lead < len(waves) {
				o.Inputs[i] = waves[lead]
				if lead < len(p.Leads) {
					inputs = append(inputs, adc.PlannedInput{Input: i, Lead: lead})
				}
			}
		}
		chip := adctest.NewADS1x15(o)
		b.chips = append(b.chips, chip)
		b.bus.Add(chip)
		d, err := ads1x15.New(b.bus, ads1x15.Options{Name: "adc", Address: o.Address})
		if err != nil {
			t.Fatal(err)
		}
		if len(inputs) > 0 {
			plans = append(plans, d.Plan(400000, inputs...))
		}
	}
	var err error
	b.scanner, err = adc.NewScanner(b.bus, plans, func(in adc.Input) { b.merge.Put(0, in) })
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// runUntil scans up to an instant.
func (b *bench) runUntil(at adc.Instant) {
	for b.bus.Now() < at {
		b.scanner.Step()
	}
}

// paramsOf is what a bench on a vehicle is told.
func paramsOf(v *vehicle.Vehicle) measure.Params {
	p := measure.Params{
		Leads: v.Leads, BatterySense: v.BatterySense, WatchFor: vehicle.WatchSeconds * time.Second,
		Key: measure.KeySense{Accessory: v.Terminal75, On: v.Terminal15, Start: v.Terminal50, Running: v.Terminal61, IgnitionSlot: measure.NoLead},
	}
	for _, s := range v.Slots {
		slot := measure.Slot{Name: s.Name, Legend: s.Legend}
		for i, l := range s.Leads {
			side := ""
			if len(s.Sides) > 0 {
				side = s.Sides[i]
			}
			slot.Leads = append(slot.Leads, measure.SlotLead{Lead: l, Side: side})
			if s.Name == v.IgnitionSlot {
				p.Key.IgnitionSlot = l
			}
		}
		p.Slots = append(p.Slots, slot)
	}
	return p
}
