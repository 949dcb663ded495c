package measure

import (
	"math/rand/v2"
	"testing"
	"time"

	"keyturn/adc"
)

// hostile is simple input that must yield no false transition. The first lead is
// the battery sense lead, the second is the victim, the third stays live.
func hostile(seed uint64, change func(k int, rng *rand.Rand) (code int16, keep bool)) (*Engine, []Event, int) {
	s := newSynthetic(seed, wire{{0, 12.6}}, wire{{0, 0}}, wire{{0, 12.5}}, wire{{0, 0}})
	rng := rand.New(rand.NewPCG(seed, 9))
	e := New(s.params)
	var ev []Event
	k, dropped := 0, 0
	for _, in := range s.inputs(3 * time.Second) {
		if in.Sample.Lead == 1 {
			code, keep := change(k, rng)
			k++
			if !keep {
				dropped++
				continue
			}
			in.Sample.Code = code
		}
		ev = append(ev, e.Step(in)...)
	}
	return e, append(ev, e.Flush()...), dropped
}

// codeAt is the code of a fraction of the battery's voltage.
func codeAt(r float64) int16 { return int16(r * 12.6 / testRatio / 4.096 * 32768) }

func TestHostileInputYieldsNoFalseTransition(t *testing.T) {
	hysteresis := 0.3
	noise := func(centre float64) func(int, *rand.Rand) (int16, bool) {
		return func(_ int, rng *rand.Rand) (int16, bool) {
			return codeAt(centre + 0.8*hysteresis*(rng.Float64()-0.5)), true
		}
	}
	constant := func(code int16) func(int, *rand.Rand) (int16, bool) {
		return func(int, *rand.Rand) (int16, bool) { return code, true }
	}
	spikes := func(rest, spike float64) func(int, *rand.Rand) (int16, bool) {
		return func(k int, _ *rand.Rand) (int16, bool) {
			if k%100 == 99 {
				return codeAt(spike), true
			}
			return codeAt(rest), true
		}
	}
	for _, c := range []struct {
		name    string
		change  func(int, *rand.Rand) (int16, bool)
		state   State
		seen    Seen
		refused int
	}{
		{"all zero", constant(0), Dead, 0, 0},
		{"full scale", constant(32767), Live, 0, 0},
		{"stuck", constant(codeAt(0.9)), Live, 0, 0},
		{"noise in the hysteresis", noise(0.45), Live, SeenPulsed, 0},
		{"noise on a live lead", noise(0.97), Live, SeenPulsed, 0},
		{"noise on a dead lead", noise(0), Dead, 0, 0},
		{"spikes on a dead lead", spikes(0, 1), Dead, SeenSpikes | SeenTestPulses, 4},
		{"spikes on a live lead", spikes(1, 0), Live, SeenSpikes | SeenTestPulses, 4},
		{"alternating", func(k int, _ *rand.Rand) (int16, bool) {
			return codeAt(float64(k % 2)), true
		}, Live, SeenPulsed, 0},
		{"a long gap", func(k int, _ *rand.Rand) (int16, bool) { return codeAt(1), k < 100 || k > 300 }, Live, 0, 0},
	} {
		for seed := range uint64(20) {
			e, ev, _ := hostile(seed, c.change)
			if tr := transitions(ev, 1); len(tr) != 0 {
				t.Errorf("%s, seed %d: false transition %+v", c.name, seed, tr[0])
			}
			if tr := transitions(ev, 2); len(tr) != 0 {
				t.Errorf("%s, seed %d: the neighbour moved: %+v", c.name, seed, tr[0])
			}
			l := &e.leads[1]
			if l.state != c.state && c.seen&SeenPulsed == 0 {
				t.Errorf("%s, seed %d: ends %s, want %s", c.name, seed, l.state, c.state)
			}
			if l.seen&SeenPulsed != c.seen&SeenPulsed {
				t.Errorf("%s, seed %d: seen %v", c.name, seed, l.seen.Words())
			}
			if got := e.Refused(1); got != c.refused {
				t.Errorf("%s, seed %d: %d samples refused, want %d", c.name, seed, got, c.refused)
			}
		}
	}
}

// A silent lead is unknown while it is silent, never dead.
func TestGapIsUnknown(t *testing.T) {
	_, ev, _ := hostile(1, func(k int, _ *rand.Rand) (int16, bool) { return codeAt(1), k < 100 || k > 300 })
	var states []State
	for _, e := range ev {
		if s, ok := e.(*StateChanged); ok && s.Lead == 1 {
			states = append(states, s.State)
		}
	}
	if len(states) != 3 || states[0] != Live || states[1] != Unknown || states[2] != Live {
		t.Errorf("states %v, want live, unknown, live", states)
	}
}

func TestLostBatterySenseMakesEveryStateUnknown(t *testing.T) {
	const lost, back = 1 * time.Second, 1600 * time.Millisecond
	for trial := range 200 {
		shift := time.Duration(trial) * 97 * time.Microsecond
		s := newSynthetic(uint64(trial),
			wire{{0, 12.6}, {lost + shift, 0}, {back + shift, 12.6}},
			wire{{0, 12.5}, {1300 * time.Millisecond, 0}}, // dies unseen
			wire{{0, 12.5}}, wire{{0, 0}, {2 * time.Second, 12.5}})
		e := New(s.params)
		var ev []Event
		for _, in := range s.inputs(3 * time.Second) {
			ev = append(ev, e.Step(in)...)
			if at := in.At; at > adc.Instant(lost+shift+20*time.Millisecond) && at < adc.Instant(back+shift) {
				for i := range e.leads {
					if e.leads[i].state != Unknown {
						t.Fatalf("trial %d: lead %d is %s while the sense lead is off", trial, i, e.leads[i].state)
					}
				}
			}
		}
		ev = append(ev, e.Flush()...)
		for lead, want := range []int{0, 1, 0, 1} {
			got := transitions(ev, lead)
			if len(got) != want {
				t.Fatalf("trial %d: lead %d: %d transitions, want %d: %+v", trial, lead, len(got), want, got)
			}
		}
		d := transitions(ev, 1)[0]
		if at := adc.Instant(1300 * time.Millisecond); d.State != Dead || at < d.NotBefore || at > d.NotAfter {
			t.Errorf("trial %d: %+v does not span the unseen change", trial, d)
		}
	}
}

// A blind stretch that begins in the past takes back what its samples said.
func TestBlindTakesBack(t *testing.T) {
	s := newSynthetic(1, wire{{0, 12.6}}, wire{{0, 12.5}, {time.Second, 0}, {1040 * time.Millisecond, 12.5}}, wire{{0, 0}}, wire{{0, 0}})
	e := New(s.params)
	var ev []Event
	told := false
	for _, in := range s.inputs(2 * time.Second) {
		if !told && in.At > adc.Instant(1080*time.Millisecond) {
			told = true
			ev = append(ev, e.Step(adc.Input{Kind: adc.BlindInput, At: in.At,
				Blind: adc.Blind{Lead: 1, Since: adc.Instant(990 * time.Millisecond), Reason: adc.ConfigLost}})...)
		}
		ev = append(ev, e.Step(in)...)
	}
	if got := transitions(append(ev, e.Flush()...), 1); len(got) != 0 {
		t.Errorf("transitions out of void samples: %+v", got)
	}
	if e.leads[1].state != Live {
		t.Errorf("ends %s, want live", e.leads[1].state)
	}
}
