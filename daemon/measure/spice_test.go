package measure_test

import (
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/daemon/measure"
	"keyturn/daemon/measure/spicetest"
)

// spice runs a deck with ngspice and returns what its .meas lines say and the
// waveforms it wrote.
func spice(t *testing.T, deck string) (measured map[string]float64, waves [][]vehicle.Point) {
	t.Helper()
	measured, dir := spicetest.Run(t, deck)
	text, err := os.ReadFile(filepath.Join(dir, "waves.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		at, err := strconv.ParseFloat(f[0], 64)
		if err != nil {
			continue // the names
		}
		if waves == nil {
			waves = make([][]vehicle.Point, len(f)-1)
		}
		for i := range waves {
			v, err := strconv.ParseFloat(f[i+1], 64)
			if err != nil {
				t.Fatal(err)
			}
			if p := (vehicle.Point{At: adc.Instant(at * 1e9), V: v}); len(waves[i]) == 0 || p.At > waves[i][len(waves[i])-1].At {
				waves[i] = append(waves[i], p)
			}
		}
	}
	return measured, waves
}

// ngspice's own crossings and minima are the reference, its waveforms the input.
func TestAgreesWithSpice(t *testing.T) {
	const tau = 1400 * time.Microsecond
	want, waves := spice(t, "relays.cir")
	for seed := range uint64(6) {
		p, pins := sixteen(tau, 0.0005, func() *vehicle.Wave { return vehicle.NewPolyline([]vehicle.Point{{At: 0}}, float64(tau)) })
		for i, w := range waves {
			pins[i] = adctest.Wave(vehicle.NewPolyline(w, float64(tau)))
		}
		b := newBench(t, 100+seed, 0, p, pins)
		b.runUntil(adc.Instant(5500 * time.Millisecond))
		b.events = append(b.events, b.engine.Flush()...)
		checkCrossings(t, seed, b, want)
		for lead, name := range map[int]string{0: "battery_min", 2: "f2_min"} { // each is checked by itself
			k := cranksOf(b.events)[lead]
			if len(k) != 1 || k[0].NotMeasured != "" {
				t.Errorf("seed %d: lead %d: starts %+v", seed, lead, k)
				continue
			}
			if off := k[0].MinV - want[name]; off < -2*k[0].MinUV || off > 2*k[0].MinUV+k[0].HiddenDipV {
				t.Errorf("seed %d: %s %.4f ± %.4f V, ngspice %.4f", seed, name, k[0].MinV, k[0].MinUV, want[name])
			}
		}
	}
}

// Edges as real switches make them: every one in its bracket, and 98 in 100 within
// twice their uncertainty where a curve is claimed. What settles through the lead's filter
// (bounce, capacitor) is held to the equivalent step, which ngspice's own filter
// tells: t + τ·ln of what is left to settle at t.
func TestSpiceEdgesBound(t *testing.T) {
	const filterS = 33e3 * 2.7e3 / 35.7e3 * 560e-9
	const tau = 1397650 * time.Nanosecond // filterS
	m, waves := spice(t, "edges.cir")
	equivalent := func(at, y, y0, y1 float64) float64 { return at + filterS*math.Log((y-y1)/(y0-y1)) }
	want := [][2]float64{ // up and down, per lead from f1
		{m["f1_rise"], m["f1_fall"]}, {m["f2_rise"], m["f2_fall"]}, {m["f3_rise"], m["f3_fall"]},
		{equivalent(0.9030, m["f4_filter_rise"], 0, m["f4_settled"]), m["f4_fall"]},
		{equivalent(1.1019, m["f5_filter_rise"], 0, m["f5_settled"]), equivalent(1.7005, m["f5_filter_fall"], m["f5_settled"], 0)},
	}
	curves, outside, all := 0, 0, 0
	for seed := range uint64(40) {
		p, pins := sixteen(tau, 0.0005, func() *vehicle.Wave { return vehicle.NewPolyline([]vehicle.Point{{At: 0}}, float64(tau)) })
		for i, w := range waves {
			pins[i] = adctest.Wave(vehicle.NewPolyline(w, float64(tau)))
		}
		b := newBench(t, 300+seed, 0, p, pins)
		b.bus.SleepUntil(adc.Instant(seed * 160e3)) // another phase of the scan
		b.runUntil(adc.Instant(2300 * time.Millisecond))
		b.events = append(b.events, b.engine.Flush()...)
		found := map[int][]measure.Transition{}
		for _, e := range b.events {
			if tr, ok := e.(*measure.Transition); ok {
				found[tr.Lead] = append(found[tr.Lead], *tr)
			}
		}
		for i, w := range want {
			got := found[i+1]
			if len(got) != 2 {
				t.Errorf("seed %d: f%d has %d transitions, want 2", seed, i+1, len(got))
				continue
			}
			for k, tr := range got {
				at := adc.Instant(w[k] * 1e9)
				all++
				if at == 0 || at < tr.NotBefore || at > tr.NotAfter {
					t.Errorf("seed %d: f%d %s at %.6f s, bracket [%.6f, %.6f]", seed, i+1, tr.State, at.Seconds(), tr.NotBefore.Seconds(), tr.NotAfter.Seconds())
				}
				if tr.Timing != measure.TimingCurve {
					continue
				}
				curves++
				if off := tr.At.Sub(at).Abs(); off > 2*tr.U {
					outside++
					t.Logf("seed %d: f%d %s at %.6f s, by the curve %.6f s ± %v (k = 2)", seed, i+1, tr.State, at.Seconds(), tr.At.Seconds(), 2*tr.U)
				}
			}
		}
	}
	t.Logf("%d of %d edges dated by a curve, %d of them outside twice the uncertainty", curves, all, outside)
	if curves < all/3 || outside > curves/50 {
		t.Errorf("a curve dates %d of %d edges, %d outside twice the uncertainty", curves, all, outside)
	}
}

func checkCrossings(t *testing.T, seed uint64, b *bench, want map[string]float64) {
	t.Helper()
	var clean, bounced []measure.Transition
	for _, e := range b.events {
		if tr, ok := e.(*measure.Transition); ok {
			switch tr.Lead {
			case 1:
				clean = append(clean, *tr)
			case 3:
				bounced = append(bounced, *tr)
			}
		}
	}
	if len(clean) != 12 || len(bounced) != 2 {
		t.Fatalf("seed %d: %d transitions of the clean contact, want 12; %d of the bouncing one, want 2", seed, len(clean), len(bounced))
	}
	for i, tr := range clean {
		name := "f1_" + map[measure.State]string{measure.Live: "rise_", measure.Dead: "fall_"}[tr.State] + strconv.Itoa(i/2+1)
		at, ok := want[name]
		if x := adc.Instant(at * 1e9); !ok || x < tr.NotBefore || x > tr.NotAfter {
			t.Errorf("seed %d: %s at %.6f s, bracket [%.6f, %.6f]", seed, name, at, tr.NotBefore.Seconds(), tr.NotAfter.Seconds())
		}
	}
	for i, name := range []string{"f3_rise_", "f3_fall_"} {
		first, last := adc.Instant(want[name+"1"]*1e9), adc.Instant(want[name+"last"]*1e9)
		if tr := bounced[i]; first == 0 || last <= first || tr.NotBefore > last || tr.NotAfter < first {
			t.Errorf("seed %d: %s from %.6f to %.6f s, bracket [%.6f, %.6f]", seed, name, first.Seconds(), last.Seconds(), tr.NotBefore.Seconds(), tr.NotAfter.Seconds())
		}
	}
}
