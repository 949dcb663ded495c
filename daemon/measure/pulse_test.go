package measure

import (
	"math/rand/v2"
	"testing"
	"time"
)

// pulsedWire is dead, switched at a frequency from begin to end, and dead again.
func pulsedWire(hz, duty float64, begin, end time.Duration, v float64) wire {
	w := wire{{0, 0}}
	period := time.Duration(1e9 / hz)
	for t := begin; t < end; t += period {
		w = append(w, step{t, v}, step{t + time.Duration(duty*float64(period)), 0})
	}
	return w
}

func TestPulsedIsLiveFromFirstRiseToLastFall(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	const begin, end = 1500 * time.Millisecond, 3500 * time.Millisecond
	for trial := range 400 {
		hz := 50 + 350*rng.Float64()
		duty := 0.1 + 0.8*rng.Float64()
		if trial%10 == 0 {
			hz = 1e3 / 6.47 * float64(1+trial/10%2) // the scan's own rate and its double
		}
		s := newSynthetic(uint64(trial), wire{{0, 12.6}}, pulsedWire(hz, duty, begin, end, 12.5), wire{{0, 0}}, wire{{0, 0}})
		ev := run(s.params, s.inputs(4500*time.Millisecond))
		got := transitions(ev, 1)
		if len(got) != 2 || got[0].State != Live || got[1].State != Dead {
			t.Errorf("trial %d: %.1f Hz, duty %.2f: %d transitions, want live and dead: %+v", trial, hz, duty, len(got), got)
			continue
		}
		if d := time.Duration(got[0].At) - begin; d < -20*time.Millisecond || d > 40*time.Millisecond {
			t.Errorf("trial %d: %.1f Hz, duty %.2f: live %v after the first rise", trial, hz, duty, d)
		}
		if d := time.Duration(got[1].At) - end; d < -60*time.Millisecond || d > 60*time.Millisecond {
			t.Errorf("trial %d: %.1f Hz, duty %.2f: dead %v after the last fall", trial, hz, duty, d)
		}
	}
}

func TestTestPulsesAreNoTransitions(t *testing.T) {
	for trial := range 200 {
		rng := rand.New(rand.NewPCG(uint64(trial), 4))
		rest, pulse := 0.0, 12.5
		if trial%2 == 1 {
			rest, pulse = pulse, rest
		}
		w := wire{{0, rest}}
		for at := 500 * time.Millisecond; at < 4*time.Second; {
			w = append(w, step{at, pulse}, step{at + time.Duration((0.3+0.7*rng.Float64())*1e6), rest})
			at += time.Duration((50 + 100*rng.Float64()) * 1e6)
		}
		s := newSynthetic(uint64(trial), wire{{0, 12.6}}, w)
		e := New(s.params)
		for _, in := range s.inputs(4500 * time.Millisecond) {
			for _, ev := range e.Step(in) {
				if tr, ok := ev.(*Transition); ok {
					t.Fatalf("trial %d: %+v", trial, tr)
				}
			}
		}
		if e.leads[1].seen&SeenTestPulses == 0 || e.leads[1].seen&SeenPulsed != 0 {
			t.Errorf("trial %d: seen %v, want test pulses only", trial, e.leads[1].seen.Words())
		}
	}
}

func TestGhostIsNoTransition(t *testing.T) {
	for _, level := range []float64{1.2, 3, 5, 6.5} {
		s := newSynthetic(1, wire{{0, 12.6}}, wire{{0, 0}, {500 * time.Millisecond, level}, {2 * time.Second, 0}})
		e := New(s.params)
		for _, in := range s.inputs(3 * time.Second) {
			for _, ev := range e.Step(in) {
				if tr, ok := ev.(*Transition); ok {
					t.Fatalf("%g V: %+v", level, tr)
				}
			}
		}
		if e.leads[1].seen != SeenGhost {
			t.Errorf("%g V: seen %v, want ghost", level, e.leads[1].seen.Words())
		}
	}
}
