package main

import (
	"encoding/json"
	"math"
	"testing"

	"keyturn/adc"
	"keyturn/adc/vehicle"
	"keyturn/daemon/config"
	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// What a hand meter would have shown of a start, by the key cycle document, is what it shows
// of the vehicle's own wire, millisecond by millisecond: to within where between two samples
// a fall can have been, and 50 mV for noise, thinning and calibration.
func TestMetersShowOfTheDocumentWhatTheyShowOfTheWire(t *testing.T) {
	const seeds = 12 / raceFactor
	program, dir := keyturn(t), t.TempDir()
	meters := []judge.Meter{{ReadingsPerS: 3.5}, {ReadingsPerS: 3.5, HoldsLowest: true}, {ReadingsPerS: 20, IntegratesS: 0.04, HoldsLowest: true}}
	waves := 0
	for seed := range seeds + 1 {
		printed, _, err := cycleOf(program, dir, seed)
		if err != nil {
			t.Fatal(err)
		}
		var c protocol.Cycle
		if err := json.Unmarshal(printed, &c); err != nil {
			t.Fatal(err)
		}
		v := vehicle.New(uint64(seed), vehicle.Options{Start: fastStart, Tidy: seed == 0})
		found := evidence.Found(&c, &config.Box{}, &config.Exercise{}, nil)
		for i := range c.Slots {
			if len(c.Slots[i].Leads) > 1 || len(found[i].Wave) == 0 {
				continue
			}
			waves++
			l := &c.Slots[i].Leads[0]
			wire := wireOf(v, l)
			for _, m := range meters {
				got, err := m.Lowest(found[i].Wave)
				if err != nil {
					t.Fatal(err)
				}
				want, err := m.Lowest(wire)
				if err != nil {
					t.Fatal(err)
				}
				over := m.IntegratesS
				if over == 0 {
					over = 1 / m.ReadingsPerS
				}
				fall := float64(l.Wave.V[0]) - found[i].Lowest.V
				open := 0.05 + fall*float64(l.Wave.ApartMS)*1e-3/2/over
				if math.Abs(got.LowV-want.LowV) > open || math.Abs(got.HighV-want.HighV) > open {
					t.Errorf("seed %d: %s, %g readings a second: %.3f to %.3f V, of the wire %.3f to %.3f V", seed, l.Lead, m.ReadingsPerS, got.LowV, got.HighV, want.LowV, want.HighV)
				}
			}
		}
	}
	if t.Logf("%d waves", waves); waves < 4*seeds {
		t.Errorf("%d waves of %d seeds", waves, seeds)
	}
}

// wireOf is the pin of a lead through the time of its wave, in volts of the wire.
func wireOf(v *vehicle.Vehicle, l *protocol.CycleLead) (out []judge.Window) {
	for lead := range v.Leads {
		if v.Leads[lead].Name != l.Lead {
			continue
		}
		w := v.Wave(lead)
		end := l.Wave.BeginNS + int64(l.Wave.EndMS[len(l.Wave.EndMS)-1]*1e6)
		for at := l.Wave.BeginNS; at < end; at += 1e6 {
			ms := float64(len(out))
			out = append(out, judge.Window{FromS: ms / 1e3, ToS: (ms + 1) / 1e3, V: w.Mean(adc.Instant(at), adc.Instant(at+1e6)) * w.Ratio()})
		}
	}
	return out
}
