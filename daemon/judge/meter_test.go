package judge

import (
	"math"
	"testing"
	"time"

	"keyturn/daemon/handbook"
)

// rectangle is a wire at 12 V that falls to a level for a time.
func rectangle(v, forS float64) []Window {
	return []Window{{0, 1, 12}, {1, 1 + forS, v}, {1 + forS, 2 + forS, 12}}
}

// The bounds, worked by hand. Readings of a meter that integrates all the time tile the
// time: a dip of d seconds lies wholly in one of them at best, and half in each of two at
// worst.
func TestMeterOnRectangularDips(t *testing.T) {
	hand := Meter{ReadingsPerS: 3.5, HoldsLowest: true}
	change := func(f func(*Meter)) Meter { m := hand; f(&m); return m }
	for _, x := range []struct {
		name      string
		meter     Meter
		v, forS   float64
		low, high float64
	}{
		// 12 - 4·0.100·3.5 = 10.6, 12 - 4·0.050·3.5 = 11.3.
		{"100 ms at 3.5 readings a second", hand, 8, 0.1, 10.6, 11.3},
		// Without a hold two readings in a row must show it, for they stand half a second:
		// at worst the dip lies in one alone.
		{"and no hold", change(func(m *Meter) { m.HoldsLowest = false }), 8, 0.1, 10.6, 12},
		// A mean of two readings takes in half of the dip, wherever it lies: 12 - 4·0.1·3.5/2.
		{"and the display averages two", change(func(m *Meter) { m.Averages = 2 }), 8, 0.1, 11.3, 11.3},
		// 100 ms of every 333: it lies in the reading, or where nothing is read.
		{"100 ms where 100 of 333 ms are integrated", Meter{ReadingsPerS: 3, IntegratesS: 0.1, HoldsLowest: true}, 8, 0.1, 8, 12},
		// 400 ms are more than one reading and less than two: at worst 200 in each of two,
		// 12 - 4·0.2·3.5 = 9.2.
		{"400 ms", hand, 8, 0.4, 8, 9.2},
		{"two seconds are seen by any", change(func(m *Meter) { m.HoldsLowest = false }), 10, 2, 10, 10},
		// 12 - 4·0.015·4 = 11.76, half of it 11.88: a starter's first dip is as good as not there.
		{"15 ms at 4 readings a second", Meter{ReadingsPerS: 4, HoldsLowest: true}, 8, 0.015, 11.76, 11.88},
		{"15 ms at 1000 readings a second", Meter{ReadingsPerS: 1000, HoldsLowest: true}, 8, 0.015, 8, 8},
	} {
		got, err := x.meter.Lowest(rectangle(x.v, x.forS))
		if err != nil {
			t.Fatal(err)
		}
		// Never inside the true bounds, and at most 7 mV outside.
		if got.LowV > x.low+1e-9 || got.LowV < x.low-0.007 || got.HighV < x.high-1e-9 || got.HighV > x.high+0.007 {
			t.Errorf("%s: %.4f to %.4f V, want %.4f to %.4f", x.name, got.LowV, got.HighV, x.low, x.high)
		}
	}
}

// waveOf samples a starting profile of ISO 16750-2.
func waveOf(p handbook.StartingProfile, step time.Duration) (wave []Window) {
	for at := -time.Second; at < p.Length()+time.Second; at += step {
		wave = append(wave, Window{at.Seconds(), (at + step).Seconds(), p.V(at + step/2)})
	}
	return wave
}

// The starting profiles of ISO 16750-2, against sums that know nothing of areas and
// knots: each phase of the readings added up from the profile itself.
func TestMeterOnStartingProfiles(t *testing.T) {
	for _, p := range handbook.StartingProfiles() {
		for _, m := range []Meter{{ReadingsPerS: 3.5, HoldsLowest: true}, {ReadingsPerS: 3.5}, {ReadingsPerS: 10, IntegratesS: 0.04, HoldsLowest: true}} {
			got, err := m.Lowest(waveOf(p, time.Millisecond/2))
			if err != nil {
				t.Fatal(err)
			}
			low, high := added(p, m)
			const near = 0.02 // the steps of the sums, and the widening
			if math.Abs(got.LowV-low) > near || math.Abs(got.HighV-high) > near {
				t.Errorf("level %s, %+v: %.3f to %.3f V, added up %.3f to %.3f", p.Level, m, got.LowV, got.HighV, low, high)
			}
		}
	}
	// Level II, worked by hand: from 3.28 ms into the fall, where the wire is as high as at
	// the reading's end, 6.53 V; the first dip's own 4.5 V no such meter shows.
	p, err := handbook.FindStartingProfile("II")
	if err != nil {
		t.Fatal(err)
	}
	if got, err := (Meter{ReadingsPerS: 3.5, HoldsLowest: true}).Lowest(waveOf(p, time.Millisecond/2)); err != nil || math.Abs(got.LowV-6.533) > 0.01 {
		t.Errorf("level II: %+v, %v", got, err)
	}
}

// added is the lowest that a meter shows at its best and at its worst phase.
func added(p handbook.StartingProfile, m Meter) (low, high float64) {
	const step = time.Millisecond
	period, over := time.Duration(1e9/m.ReadingsPerS), time.Duration(m.integratesS()*1e9)
	low, high = math.Inf(1), math.Inf(-1)
	var v []float64 // each millisecond, from a second before
	for at := -time.Second; at < p.Length()+time.Second; at += step {
		v = append(v, p.V(at))
	}
	for phase := time.Duration(0); phase < period; phase += 2 * step {
		lowest, before := math.Inf(1), p.BaseV
		for from := -2*period + phase; from < p.Length()+period; from += period {
			sum, n := 0.0, 0.0
			for at := from; at < from+over; at += step {
				sum, n = sum+v[(at+time.Second)/step], n+1
			}
			low = min(low, sum/n)
			if m.HoldsLowest {
				before = math.Inf(-1)
			}
			lowest = min(lowest, max(sum/n, before)) // two in a row at 3.5 a second
			before = sum / n
		}
		high = max(high, lowest)
	}
	return low, high
}

func TestMeterRefusesNonsense(t *testing.T) {
	good, wave := Meter{ReadingsPerS: 3.5}, rectangle(8, 0.1)
	for _, m := range []Meter{{}, {ReadingsPerS: math.NaN()}, {ReadingsPerS: 1e9}, {ReadingsPerS: 4, IntegratesS: 0.3}, {ReadingsPerS: 4, IntegratesS: math.NaN()},
		{ReadingsPerS: 4, Averages: -1}, {ReadingsPerS: 4, Averages: 1000}, {ReadingsPerS: 4, Percent: -1}} {
		if got, err := m.Lowest(wave); err == nil {
			t.Errorf("%+v shows %+v", m, got)
		}
	}
	for _, w := range [][]Window{nil, {{0, 0, 12}}, {{1, 0, 12}}, {{0, 1, math.NaN()}}, {{0, 1, math.Inf(-1)}}, {{0, math.Inf(1), 12}}, {{0, 2, 12}, {1, 3, 12}}, {{0, 1e9, 12}}} {
		if got, err := good.Lowest(w); err == nil {
			t.Errorf("of %v it shows %+v", w, got)
		}
	}
}

// What a meter shows lies within what the wire did, and a faster one sees no less.
func TestMeterShowsWhatTheWireDid(t *testing.T) {
	for _, forS := range []float64{0.01, 0.1, 0.5, 2} {
		last := 12.0
		for _, rate := range []float64{1, 2, 4, 8, 100, 1000} {
			got, err := (Meter{ReadingsPerS: rate, HoldsLowest: true}).Lowest(rectangle(8, forS))
			if err != nil || got.LowV < 8 || got.HighV > 12 || got.LowV > got.HighV || got.HighV > last+0.05 {
				t.Errorf("%g s at %g a second: %+v, %v", forS, rate, got, err)
			}
			last = got.HighV
		}
	}
}

func BenchmarkMeterLowest(b *testing.B) {
	p, _ := handbook.FindStartingProfile("II")
	wave := waveOf(p, 6*time.Millisecond)
	for b.Loop() {
		if _, err := (Meter{ReadingsPerS: 3.5, HoldsLowest: true}).Lowest(wave); err != nil {
			b.Fatal(err)
		}
	}
}
