package measure

import (
	"math"
	"testing"
	"time"

	"keyturn/adc"
)

// paired is a bench whose key is on from 2 to 5 s, told by lead 1, and whose one other slot
// has a lead on each side.
func paired(seed uint64, upper, lower wire) *synthetic {
	s := newSynthetic(seed, wire{{0, 12.6}, {2000 * ms, 12.4}, {5000 * ms, 12.6}}, wire{{0, 0}, {2000 * ms, 12.3}, {5000 * ms, 0}}, upper, lower)
	s.params.Key.On = 1
	s.params.Slots = []Slot{s.params.Slots[0], {Name: "pair", Leads: []SlotLead{{2, "upper"}, {3, "lower"}}}}
	s.params.TestLines = []string{"load"}
	return s
}

func lineAt(at time.Duration, on bool) adc.Input {
	return adc.Input{Kind: adc.LineInput, At: adc.Instant(at), Line: adc.Line{Name: "load", On: on}}
}

// The two leads of a slot are read together: where one was not at rest before a test, both
// are read after it, for the supply may be another then. One whose fellow never rests is read
// by itself.
func TestLeadsOfASlotAreReadTogether(t *testing.T) {
	through := func(v float64) wire {
		return wire{{0, 0}, {2004 * ms, v}, {3505 * ms, 11}, {4005 * ms, 12.470}, {5006 * ms, 0}}
	}
	late := append(wire{{0, 0}, {2004 * ms, 11.5}, {3200 * ms, 12.5}}, through(0)[2:]...)
	never := wire{{0, 0}}
	for at := 2004 * ms; at < 5*time.Second; at += 100 * ms {
		never = append(never, step{at, 12}, step{at + 50*ms, 11.5})
	}
	for _, x := range []struct {
		name  string
		lower wire
		upper float64
		both  bool
	}{
		{"both before the test", through(12.5), 12.5, true},
		{"one too late for it", late, 12.470, true},
		{"one that never rests", append(never, step{5006 * ms, 0}), 12.5, false},
	} {
		s := paired(4, through(12.5), x.lower)
		c := finalOf(t, run(s.params, insert(s.inputs(12*time.Second), lineAt(3500*ms, true), lineAt(4000*ms, false))))
		leads := c[0].Slots[1].Leads
		u, okU := levelAt(&leads[0], adc.On)
		l, okL := levelAt(&leads[1], adc.On)
		if !okU || math.Abs(u.V-x.upper) > 0.003 || okL != x.both || okL && math.Abs(u.V-l.V) > 0.003 {
			t.Errorf("%s: %+v %t, %+v %t", x.name, u, okU, l, okL)
		}
	}
}

// On a supply that falls by 20 mV a second, where one lead came to rest late, the two differ
// by no more than their uncertainty and what UMoved says (k = 2: 95 in 100, JCGM 100:2008,
// G.3). A mean of 13 codes in 52 samples, a fourth of them looked at, is uncertain by 0.6 mV.
func TestLeadsOfASlotOnAMovingSupply(t *testing.T) {
	const seeds = 40
	beyond := 0
	for seed := range uint64(seeds) {
		falls := func(from time.Duration) wire {
			w := wire{{0, 0}, {2004 * ms, 11}}
			for at := from; at < 5*time.Second; at += 5 * ms {
				w = append(w, step{at, 12.5 - 0.02*(at-2*time.Second).Seconds()})
			}
			return append(w, step{5006 * ms, 0})
		}
		s := paired(seed, falls(2010*ms), falls(time.Duration(4300+seed*3)*ms))
		c := finalOf(t, run(s.params, s.inputs(12*time.Second)))
		leads := c[0].Slots[1].Leads
		u, okU := levelAt(&leads[0], adc.On)
		l, okL := levelAt(&leads[1], adc.On)
		if !okU || !okL || u.UMoved > 0.006 || l.UMoved > 0.006 {
			t.Fatalf("seed %d: %+v %t, %+v %t", seed, u, okU, l, okL)
		}
		if math.Abs(u.V-l.V) > 2*math.Hypot(max(u.UMoved, l.UMoved), math.Sqrt2*0.0006) {
			beyond++
		}
	}
	if beyond > seeds*5/100 {
		t.Errorf("%d of %d differ by more", beyond, seeds)
	}
}

// Off is what there was before the key: a test after key-off takes no level of it.
func TestNoLevelOfOffAfterTheKey(t *testing.T) {
	blinks := wire{{0, 0}}
	for at := 50 * ms; at < 2*time.Second; at += 100 * ms {
		blinks = append(blinks, step{at, 12}, step{at + 50*ms, 11.5})
	}
	s := turns(11, append(blinks, step{2004 * ms, 12.5}, step{5006 * ms, 12.2}))
	s.params.TestLines = []string{"load"}
	c := finalOf(t, run(s.params, insert(s.inputs(12*time.Second), lineAt(7*time.Second, true), lineAt(7500*ms, false))))
	if got, ok := levelAt(&c[0].Slots[1].Leads[0], adc.Off); ok {
		t.Errorf("off: %+v", got)
	}
}

// The key's move is told late: a test that begins before that takes no level of what was left.
func TestATestBeforeTheKeysMoveIsTold(t *testing.T) {
	for from := 5050 * ms; from < 5600*ms; from += 50 * ms {
		s := turns(12, wire{{0, 0}, {2004 * ms, 12.5}, {5006 * ms, 0}})
		s.params.TestLines = []string{"load"}
		c := finalOf(t, run(s.params, insert(s.inputs(12*time.Second), lineAt(from, true), lineAt(from+time.Second, false))))
		if got, ok := levelAt(&c[0].Slots[1].Leads[0], adc.On); !ok || math.Abs(got.V-12.5) > 2*got.U {
			t.Errorf("from %s on: %+v %t", from, got, ok)
		}
	}
}

// A slot that went live with the key still at off, as it seemed, tells of the accessory
// position later: what was read before a test in the meantime is that position's.
func TestLevelsOfAPositionThatIsToldLate(t *testing.T) {
	s := turns(13, wire{{0, 0}, {2004 * ms, 12.5}, {7006 * ms, 0}})
	s.wires[1] = wire{{0, 0}, {5000 * ms, 12.3}, {7000 * ms, 0}}
	s.params.TestLines = []string{"load"}
	c := finalOf(t, run(s.params, insert(s.inputs(14*time.Second), lineAt(3500*ms, true), lineAt(4000*ms, false))))
	l := &c[0].Slots[1].Leads[0]
	for p, want := range map[adc.Position]float64{adc.Off: 0, adc.Accessory: 12.5, adc.On: 12.5} {
		if got, ok := levelAt(l, p); !ok || math.Abs(got.V-want) > 2*got.U {
			t.Errorf("%s: %+v %t, want %g V", p, got, ok, want)
		}
	}
}
