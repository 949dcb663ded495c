package vehicle

import (
	"bytes"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"keyturn/adc"
)

// The closed form of the filter agrees with small steps of the plain one.
func TestFilterAgreesWithSmallSteps(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	var points []Point
	at, v := adc.Instant(0), 12.0
	for range 200 {
		points = append(points, Point{at, v})
		at += adc.Instant(1e5 + rng.Float64()*3e6)
		v = 14 * rng.Float64()
	}
	const tau = 1.4e6
	w := NewPolyline(points, tau)
	wire := func(t float64) float64 {
		for i := 1; i < len(points); i++ {
			if a, b := points[i-1], points[i]; t < float64(b.At) {
				return a.V + (b.V-a.V)*(t-float64(a.At))/float64(b.At-a.At)
			}
		}
		return points[len(points)-1].V
	}
	const h = 200.0 // ns
	y, now := points[0].V, 0.0
	for from := 1e6; from < float64(at); from += 5e6 {
		to := from + 1.163e6
		sum, n := 0.0, 0
		for ; now < to; now += h {
			y += (wire(now+h/2) - y) * (1 - math.Exp(-h/tau))
			if now >= from {
				sum += y
				n++
			}
		}
		got := w.Mean(adc.Instant(from), adc.Instant(to)) * w.Ratio()
		if want := sum / float64(n); math.Abs(got-want) > 2e-3 {
			t.Fatalf("window at %.1f ms: %.5f V, small steps give %.5f V", from/1e6, got, want)
		}
	}
}

// Parts as drawn give the time constants and divider worked by hand: 33 kΩ with
// 2.7 kΩ and 560 nF.
func TestPartsAsDrawn(t *testing.T) {
	f := newFilter(upperOhm, lowerOhm, farad)
	for _, c := range []struct {
		what      string
		got, want float64
	}{{"ratio", f.ratio, 13.2222}, {"driven, ms", f.tau / 1e6, 1.39765}, {"floating, ms", f.floating / 1e6, 1.512}} {
		if math.Abs(c.got-c.want) > 1e-4*c.want {
			t.Errorf("%s: %g, want %g", c.what, c.got, c.want)
		}
	}
}

// The equivalent step leaves the filter as the bounces did.
func TestEquivalentStepLeavesTheSameFilter(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	b := &battery{points: []Point{{0, 12.6}, {1e9, 12.6}}}
	for trial := range 500 {
		o := outlet{rest: rest(trial % 2)}
		w := &wire{f: newFilter(upperOhm, lowerOhm, farad), o: &o, battery: b, rng: rng}
		w.close(10e6, true)
		w.conduct(100e6)
		w.open(100e6, true)
		for i, e := range w.edges {
			if e.TNS < e.FirstNS || e.TNS > e.LastNS {
				t.Fatalf("trial %d: step at %d outside [%d, %d]", trial, e.TNS, e.FirstNS, e.LastNS)
			}
			clean := &wire{f: w.f, o: &o, battery: b, rng: rng, t: e.FirstNS}
			if i == 1 {
				clean.y = 12.6
			}
			if e.Event == "live" {
				clean.idle(e.TNS, 0)
				clean.follow(e.LastNS, 1)
			} else {
				clean.follow(e.TNS, 1)
				clean.idle(e.LastNS, 0)
			}
			real := &Wave{f: w.f, segs: w.segs}
			real.moveTo(e.LastNS)
			if d := math.Abs(real.y - clean.y); d > 1e-3 {
				t.Fatalf("trial %d %s: filter at %.4f V, its equivalent step gives %.4f V", trial, e.Event, real.y, clean.y)
			}
		}
	}
}

func TestTruthIsConsistent(t *testing.T) {
	for seed := uint64(1); seed <= 200; seed++ {
		v := New(seed, Options{Start: 5e9})
		for n := range 2 {
			state := map[string]Transition{}
			for _, x := range v.Truth(n).Transitions {
				if x.TNS < x.FirstNS || x.TNS > x.LastNS {
					t.Fatalf("seed %d: %+v: not between its touches", seed, x)
				}
				if last, ok := state[x.Lead]; ok && (last.Event == x.Event || last.TNS > x.TNS) {
					t.Fatalf("seed %d: %+v after %+v", seed, x, last)
				}
				state[x.Lead] = x
			}
		}
	}
}

func TestSameSeedSameTruth(t *testing.T) {
	var texts [2]bytes.Buffer
	for i := range texts {
		if err := New(7, Options{}).Truth(1).Write(&texts[i]); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(texts[0].Bytes(), texts[1].Bytes()) {
		t.Error("two vehicles of one seed differ")
	}
}

// Over the 200 seeds that the demo is judged by, every phenomenon comes often
// enough to count.
func TestSeedsHoldEveryPhenomenon(t *testing.T) {
	count := map[string]int{}
	skips, all, optional := 0, 0, 0
	for seed := uint64(1); seed <= 200; seed++ {
		v := New(seed, Options{})
		for _, p := range v.Phenomena(0) {
			count[p]++
		}
		for _, x := range v.Truth(0).Transitions {
			all++
			if !x.Required {
				optional++
			}
			count["edge: "+x.Why]++
		}
		if v.Skips(0) {
			skips++
		}
		count["no key sense leads"] += map[bool]int{true: 1}[v.Terminal15 < 0]
	}
	t.Logf("%d of 200 cycles skip a position; %d transitions, %d not required", skips, all, optional)
	var names []string
	for n := range count {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		t.Logf("%5d %s", count[n], n)
	}
	if skips < 30 {
		t.Errorf("%d cycles skip a position, want 30", skips)
	}
	if optional*20 > all {
		t.Errorf("%d of %d transitions are not required, want at most 5 %%", optional, all)
	}
	for _, n := range []string{
		"permanent", "ignition relay", "accessory relay", "start-only", "engine-running", "awake", "switch-operated", "none",
		"intermittent", "stays on", "pulsed", "test pulses", "high side", "slow switch", "ghost", "run-down", "back-feed",
		"weak relay", "heavy load", "failed start", "double start", "stop and restart", "earth shift", "sense lost", "lost-contact", "edge: bounce", "edge: clean", "edge: slow",
		"edge: pulsed", "edge: run-down", "edge: blind",
	} {
		if count[n] < 40 {
			t.Errorf("%d times %q, want 40", count[n], n)
		}
	}
}

func BenchmarkCycle(b *testing.B) {
	seed := uint64(0)
	for b.Loop() {
		seed++
		v := New(seed, Options{})
		end := v.Ends(0)
		for lead := range LeadCount {
			w := v.Wave(lead)
			for t := adc.Instant(0); t < end-1e7; t += 6200000 {
				w.Mean(t, t+1163000)
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(time.Millisecond), "ms/cycle")
}
