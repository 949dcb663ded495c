package measure_test

import (
	"fmt"
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

// newBench wires up to 16 waves to a bench whose chips read too high by a part
// gain.
func newBench(t testing.TB, seed uint64, gain float64, p measure.Params, waves []adctest.Wave) *bench {
	t.Helper()
	return newBenchOn(t, seed, knownHost, gain, p, waves, func(adc.Input) {})
}

// newBenchOn is newBench on a host; saw gets every input.
func newBenchOn(t testing.TB, seed uint64, host adctest.BusOptions, gain float64, p measure.Params, waves []adctest.Wave, saw func(adc.Input)) *bench {
	t.Helper()
	b := &bench{engine: measure.New(p)}
	host.Seed = seed
	b.bus = adctest.NewBus(host)
	b.merge = adc.NewMerge(1, func(in adc.Input) {
		saw(in)
		b.events = append(b.events, b.engine.Step(in)...)
	})
	var plans []adc.ChipPlan
	for c := range 4 {
		o := adctest.ADS1x15Options{Address: 0x48 + uint16(c), Seed: seed<<3 + uint64(c), Gain: gain, NoiseV: adctest.DataSheetNoiseV}
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
		d, err := ads1x15.New(b.bus, ads1x15.Options{Name: "adc", Address: o.Address, SplitRead: host.LosesPointerNAK})
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

// sixteen is a bench of battery sense lead and 15 slots, all seeing waves of one
// kind through leads of a time constant.
func sixteen(tau time.Duration, uGain float64, wave func() *vehicle.Wave) (measure.Params, []adctest.Wave) {
	p := measure.Params{BatterySense: 0, Key: measure.NoKeySense()}
	var waves []adctest.Wave
	for i := range 16 {
		w := wave()
		waves = append(waves, w)
		p.Leads = append(p.Leads, adc.Lead{
			Name: fmt.Sprintf("lead-%02d", i+1), Tau: tau, TauFloating: tau * 12 / 11, UTau: 0.005,
			Calibration: adc.Calibration{Gain: w.Ratio(), UGain: uGain},
		})
		if i > 0 {
			p.Slots = append(p.Slots, measure.Slot{Name: fmt.Sprintf("f%02d", i), Leads: []measure.SlotLead{{Lead: i}}})
		}
	}
	return p, waves
}

// cranksOf returns the starts found, per lead.
func cranksOf(events []measure.Event) map[int][]*measure.Crank {
	out := map[int][]*measure.Crank{}
	for _, e := range events {
		if k, ok := e.(*measure.Crank); ok {
			out[k.Lead] = append(out[k.Lead], k)
		}
	}
	return out
}
