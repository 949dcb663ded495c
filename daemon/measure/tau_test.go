package measure

import (
	"math"
	"strings"
	"testing"
	"time"

	"keyturn/adc"
)

// switched is a wire that goes live and dead every 150 ms, at no round phase.
func switched(until time.Duration) wire {
	w := wire{{0, 0}}
	v := 12.4
	for t := 400 * time.Millisecond; t < until; t += 150*time.Millisecond + time.Duration(len(w)*7919%6311)*time.Microsecond {
		w = append(w, step{t, v})
		v = 12.4 - v
	}
	return w
}

// A lead told one time constant learns its own, driven from the rises and the
// falls of a wire that is pulled down, and says how well it knows it.
func TestTimeConstantsAreLearned(t *testing.T) {
	for _, off := range []float64{-0.05, 0, 0.04} {
		s := newSynthetic(11, wire{{0, 12.6}}, switched(12*time.Second), wire{{0, 0}}, wire{{0, 0}})
		for i := range s.params.Leads {
			l := &s.params.Leads[i]
			l.Tau = time.Duration(float64(s.tau) * (1 + off))
			l.TauFloating, l.UTau = l.Tau*1512/1400, 0.03
		}
		e := New(s.params)
		for _, in := range s.inputs(12 * time.Second) {
			e.Step(in)
		}
		k := e.TimeConstants(1)
		err := float64(k.Driven)/float64(s.tau) - 1
		if k.Edges < 20 || math.Abs(err) > 2*k.UDriven || k.UDriven > 0.002 {
			t.Errorf("told %+.0f %% off: learned %v ± %.2f %% from %d edges, truly %v", 100*off, k.Driven, 100*k.UDriven, k.Edges, s.tau)
		}
		if untouched := e.TimeConstants(2); untouched.Edges != 0 || untouched.UDriven != 0.03 {
			t.Errorf("a lead without edges learned something: %+v", untouched)
		}
	}
}

// A lead whose capacitor changes is flagged, and learned anew.
func TestAChangedTimeConstantIsFlagged(t *testing.T) {
	const half = 12 * time.Second
	w := switched(2 * half)
	before := newSynthetic(12, wire{{0, 12.6}}, w, wire{{0, 0}}, wire{{0, 0}})
	after := newSynthetic(12, wire{{0, 12.6}}, w, wire{{0, 0}}, wire{{0, 0}})
	after.tau = 1540 * time.Microsecond // a tenth more
	e := New(before.params)
	flagged := adc.Instant(0)
	feed := func(in adc.Input) {
		for _, ev := range e.Step(in) {
			if f, ok := ev.(*Faulted); ok && strings.Contains(f.Reason, "time constant") && flagged == 0 {
				flagged = f.At
				if f.Lead != 1 {
					t.Errorf("lead %d flagged", f.Lead)
				}
			}
		}
	}
	for _, in := range before.inputs(half) {
		feed(in)
	}
	if flagged != 0 {
		t.Fatalf("flagged at %v, before anything has changed", time.Duration(flagged))
	}
	for _, in := range after.inputs(2 * half) {
		if in.At > e.now {
			feed(in)
		}
	}
	k := e.TimeConstants(1)
	if flagged == 0 || time.Duration(flagged) > half+10*time.Second {
		t.Errorf("flagged at %v, changed at %v", time.Duration(flagged), half)
	}
	if err := float64(k.Driven)/float64(after.tau) - 1; math.Abs(err) > 2*k.UDriven || k.UDriven > 0.01 {
		t.Errorf("after the change %v ± %.2f %%, truly %v", k.Driven, 100*k.UDriven, after.tau)
	}
}

// What was learned in the morning is not as sure in the evening, nor is a lead
// flagged for its capacitor's temperature.
func TestTimeConstantsDrift(t *testing.T) {
	l := adc.Lead{Tau: 1400 * time.Microsecond, TauFloating: 1512 * time.Microsecond, UTau: 0.001}
	k := newTimeConstants(&l)
	k.age(adc.Instant(4 * time.Hour))
	if math.Abs(k.driven.u-0.011) > 1e-4 || k.floating.u != k.driven.u { // 0.1 % and four times 0.25 %
		t.Errorf("after four hours ± %.2f %%", 100*k.driven.u)
	}
	k.age(adc.Instant(400 * time.Hour))
	if k.driven.u != uTauMost {
		t.Errorf("after weeks ± %.2f %%", 100*k.driven.u)
	}
	changed := 0.0
	for range tauChanged {
		k.driven.u = 0.001
		changed = k.driven.take(1.03*1400e3, 0.003)
	}
	if changed < 0.029 || changed > tauFlagged {
		t.Errorf("a change of 3 %% is told as %.1f %%, flagged from %.0f %%", 100*changed, 100*tauFlagged)
	}
}
