package measure

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"keyturn/adc"
)

// someStart is samples of a start as adc/vehicle draws them: an inrush that halves every
// 20 to 120 ms, compression strokes on the plateau, noise.
func someStart(rng *rand.Rand, interval, length time.Duration) ([]point, span) {
	onset, half := 0.4, 0.02+0.1*rng.Float64()
	plateau, dip := 1.6+1.6*rng.Float64(), 0.6+2.2*rng.Float64()
	ripple, hz, noise := 0.08+0.2*rng.Float64(), 5+9*rng.Float64(), 0.002
	end := onset + length.Seconds()
	volts := func(s float64) float64 {
		x := s - onset - 0.02
		v := 12.5
		if s > onset {
			v -= min(1, (s-onset)/0.005) * (plateau + dip*math.Exp(-max(0, x)/half*math.Ln2) + ripple*math.Sin(2*math.Pi*hz*max(0, x))) * math.Exp(-max(0, s-end)/0.04)
		}
		return v + noise*rng.NormFloat64()
	}
	var pts []point
	for at := time.Duration(0); at.Seconds() < end+0.6 && len(pts) < crankPointsMax; at += interval {
		from := adc.Instant(at)
		pts = append(pts, point{from: from, to: from.Add(min(interval, 1200*time.Microsecond)), v: volts(at.Seconds())})
	}
	return pts, span{adc.Instant(onset * 1e9), adc.Instant(end * 1e9)}
}

// curveOf is a voltage that stands at v up to each end.
type curveOf struct {
	ends []float64 // ms
	v    []float64
}

// slowMeter is the least reading of a meter that shows the mean over some ms, wherever its
// readings begin.
func (c curveOf) slowMeter(over float64) float64 {
	least := math.Inf(1)
	for from := 0.0; from+over <= c.ends[len(c.ends)-1]; from++ {
		sum, at := 0.0, from
		i, _ := slices.BinarySearch(c.ends, from)
		for ; at < from+over && i < len(c.ends); i++ {
			to := min(c.ends[i], from+over)
			sum, at = sum+c.v[i]*max(0, to-at), max(at, to)
		}
		least = min(least, sum/over)
	}
	return least
}

// A wave holds the least sample, keeps the area under the curve, and shows slow meters what
// the samples show them.
func TestWaveKeepsWhatMetersShow(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	worst := 0.0
	for trial := range 120 {
		interval := time.Duration(1200+rng.IntN(7000)) * time.Microsecond
		length := time.Duration(400+rng.IntN(2600)) * ms
		if trial%10 == 0 {
			length = crankMost
		}
		pts, start := someStart(rng, interval, length)
		w, ok := newWave(pts, start)
		if !ok || len(w.V) > waveMost || len(w.V) != len(w.Ends) || w.Begin != pts[0].from {
			t.Fatalf("trial %d: %d stretches of %d samples", trial, len(w.V), len(pts))
		}
		var all, kept curveOf
		area, areaKept, before := 0.0, 0.0, w.Begin
		for i := range w.V {
			if w.Ends[i] <= before {
				t.Fatalf("trial %d: stretch %d ends before it begins", trial, i)
			}
			areaKept += w.V[i] * float64(w.Ends[i]-before)
			before = w.Ends[i]
			kept.ends, kept.v = append(kept.ends, float64(w.Ends[i]-w.Begin)/1e6), append(kept.v, w.V[i])
		}
		least, from := pts[0].v, pts[0].from
		for i := range pts {
			if pts[i].to > w.Ends[len(w.Ends)-1] {
				break
			}
			to := w.Ends[len(w.Ends)-1]
			if i+1 < len(pts) && pts[i+1].to <= to {
				to = pts[i].mid() + (pts[i+1].mid()-pts[i].mid())/2
			}
			area += pts[i].v * float64(to-from)
			all.ends, all.v = append(all.ends, float64(to-w.Begin)/1e6), append(all.v, pts[i].v)
			from, least = to, min(least, pts[i].v)
		}
		if got := slices.Min(w.V); math.Abs(got-least) > 1e-9 {
			t.Errorf("trial %d: least %.4f V, the samples' %.4f", trial, got, least)
		}
		if math.Abs(area-areaKept) > 1e-6*area {
			t.Errorf("trial %d: area %g, the samples' %g", trial, areaKept, area)
		}
		for _, over := range []float64{40, 100, 1000 / 3.5} {
			worst = max(worst, math.Abs(kept.slowMeter(over)-all.slowMeter(over)))
		}
	}
	t.Logf("a slow meter sees %.1f mV of difference at worst", worst*1e3)
	if worst > 0.03 {
		t.Errorf("a slow meter sees %.3f V of difference, want at most 0.03", worst)
	}
}

// What a lead read while it was off, just before or after a start, is not in its wave.
func TestWaveEndsWhereTheLeadIsOff(t *testing.T) {
	pts, start := someStart(rand.New(rand.NewPCG(6, 6)), 6*ms, time.Second)
	for i := range pts {
		if at := pts[i].mid(); at < start.from-adc.Instant(200*ms) || at > start.to+adc.Instant(300*ms) {
			pts[i].v = 0.01
		}
	}
	w, ok := newWave(pts, start)
	if end := w.Ends[len(w.Ends)-1]; !ok || slices.Min(w.V) < 5 || w.Begin > start.from-adc.Instant(190*ms) || end < start.to+adc.Instant(290*ms) {
		t.Errorf("from %v to %v, least %.2f V", w.Begin, end, slices.Min(w.V))
	}
	if _, ok := newWave(pts, span{1e12, 2e12}); ok {
		t.Error("a wave of no sample")
	}
}

// A cycle keeps the wave of its deepest start, and none where the lead could not be seen.
func TestWaveOfTheDeepestStart(t *testing.T) {
	start := func(at time.Duration, dip float64) wire {
		return wire{{at, dip}, {at + 60*ms, 10.2}, {at + 1000*ms, 12.6}}
	}
	for _, x := range []struct {
		name  string
		dips  [2]float64
		since time.Duration // the slot's lead is blind for 0.2 s; 0: never
		want  int           // which start; -1: none
	}{
		{"the first", [2]float64{9, 9.6}, 0, 0},
		{"the second", [2]float64{9.6, 9}, 0, 1},
		{"the other was not seen", [2]float64{9, 9.6}, 3300 * ms, 1},
		{"a start was not seen", [2]float64{9.6, 9}, 6300 * ms, 0},
	} {
		battery := append(append(wire{{0, 12.6}}, start(3*time.Second, x.dips[0])...), start(6*time.Second, x.dips[1])...)
		s := newSynthetic(11, battery, wire{{0, 0}, {1500 * ms, 12.5}, {8500 * ms, 0}}, battery)
		s.params.Key.On = 1
		in := s.inputs(12 * time.Second)
		if x.since > 0 {
			in = slices.DeleteFunc(in, func(i adc.Input) bool {
				return i.Sample.Lead == 2 && i.At > adc.Instant(x.since) && i.At < adc.Instant(x.since+200*ms)
			})
		}
		c := finalOf(t, run(s.params, in))
		l := &c[0].Slots[1].Leads[0]
		if len(l.Cranks) != 2 || l.Wave == nil || l.Wave.Crank != l.Cranks[x.want].ID {
			t.Errorf("%s: %d starts, wave %+v", x.name, len(l.Cranks), l.Wave)
			continue
		}
		if least := slices.Min(l.Wave.V); math.Abs(least-x.dips[x.want]) > 0.05 || l.Wave.Begin > l.Cranks[x.want].BeginsNotBefore-adc.Instant(300*ms) {
			t.Errorf("%s: least %.3f V, begins at %v", x.name, least, l.Wave.Begin)
		}
		if b := c[0].Battery; b.Wave == nil || len(b.Levels) == 0 {
			t.Errorf("%s: the battery sense lead has %d levels, wave %v", x.name, len(b.Levels), b.Wave)
		}
	}
}
