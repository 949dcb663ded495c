package measure_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/daemon/measure"
)

// spice runs a deck with ngspice and returns what its .meas lines say and the
// waveforms it wrote.
func spice(t *testing.T, deck string) (measured map[string]float64, waves [][]vehicle.Point) {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("../../testdata/spice", deck))
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command("ngspice", "-b", path)
	c.Dir = t.TempDir()
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("ngspice (Debian package ngspice): %v\n%s", err, out)
	}
	measured = map[string]float64{}
	for _, m := range regexp.MustCompile(`(?m)^(\w+)\s+=\s+([-+0-9.e]+)`).FindAllStringSubmatch(string(out), -1) {
		v, err := strconv.ParseFloat(m[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		measured[m[1]] = v
	}
	text, err := os.ReadFile(filepath.Join(c.Dir, "waves.txt"))
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
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
