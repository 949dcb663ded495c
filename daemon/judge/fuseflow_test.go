package judge

import (
	"math"
	"math/rand/v2"
	"testing"

	"keyturn/daemon/handbook"
)

// pairOf is a pair of leads that was built at random within what a lead may be, and reads a
// truth at a temperature. A level is the mean of 8 samples at least (steadyChunk and
// steadyEach in daemon/measure).
type pairOf struct {
	rng                           *rand.Rand
	gainF, gainL, offF, offL, tcF float64
	tcL, warmK                    float64
	stepV                         float64
}

func newPair(rng *rand.Rand) *pairOf {
	uniform := func(a float64) float64 { return a * (2*rng.Float64() - 1) }
	tc := func() float64 { return uniform(50e-6)*12/13 - uniform(50e-6)*12/13 + uniform(40e-6) }
	return &pairOf{rng, 1 + 0.004*rng.NormFloat64(), 1 + 0.004*rng.NormFloat64(), uniform(0.01), uniform(0.01), tc(), tc(), 0, 13.2 * 125e-6}
}

func (p *pairOf) read(feedV, loadV float64) PairReading {
	one := func(v, gain, off, tc float64) float64 {
		v = v*(gain+tc*p.warmK) + off + 0.0016/math.Sqrt(8)*p.rng.NormFloat64()
		v = p.stepV * math.Round(v/p.stepV) // no noise helps between its steps
		return math.Round(v*1e3) / 1e3
	}
	return PairReading{FeedV: one(feedV, p.gainF, p.offF, p.tcF), UFeedV: 0.05, LoadV: one(loadV, p.gainL, p.offL, p.tcL), ULoadV: 0.05}
}

// Leads that were built at random, nulled, and warmed by up to 2 K: no current is found
// where none flows but 5 times in 100, one at the detection limit 97 times in 100.
func TestNulledPairs(t *testing.T) {
	for bits, stepV := range map[int]float64{16: 13.2 * 125e-6, 12: 13.2 * 2e-3} { // SBAS444E, SBAS473E: ± 4.096 V
		nulledPairs(t, bits, stepV)
	}
}

func nulledPairs(t *testing.T, bits int, stepV float64) {
	t.Helper()
	rng := rand.New(rand.NewPCG(3, 9))
	fuse, err := handbook.ResistanceOfFuse(handbook.FuseC, 10)
	if err != nil {
		t.Fatal(err)
	}
	const runs = 4000
	invented, missed := 0, 0
	for range runs {
		p := newPair(rng)
		p.stepV = stepV
		nullV := 12.3 + 0.5*rng.Float64()
		null := p.read(nullV, nullV)
		p.warmK = pairDriftK * (2*rng.Float64() - 1)
		v := nullV + 0.2*rng.NormFloat64()
		f, err := NullPair(p.read(v, v), null, bits).Flow(fuse)
		if err != nil {
			t.Fatal(err)
		}
		if f.Flows {
			invented++
		}
		// A fuse of the least resistance that a good one has.
		drop := f.DetectsA * fuse.ColdMilliOhm * (1 - handbook.FuseTolerance) * 1e-3
		if f, err := NullPair(p.read(v, v-drop), null, bits).Flow(fuse); err != nil || !f.Flows || f.Backwards {
			missed++
		}
	}
	if invented > runs*5/100 || missed > runs*3/100 {
		t.Errorf("%d bits: of %d, invented %d, missed %d", bits, runs, invented, missed)
	}
	t.Logf("%d bits: of %d, invented %d, missed %d", bits, runs, invented, missed)
}

// 50 mA over a 10 A fuse are 0.38 mV (7.69 mΩ, a training page on volt drop over fuses): no
// pair of divided leads tells them from nothing.
func TestNoQuiescentCurrentByDividedLeads(t *testing.T) {
	fuse, err := handbook.ResistanceOfFuse(handbook.FuseC, 10)
	if err != nil {
		t.Fatal(err)
	}
	drop := 0.050 * fuse.ColdMilliOhm * 1e-3
	if math.Abs(drop-0.38e-3) > 0.005e-3 {
		t.Errorf("50 mA are %g V", drop)
	}
	null := PairReading{FeedV: 12.6, UFeedV: 0.05, LoadV: 12.6, ULoadV: 0.05}
	now := null
	now.LoadV -= drop
	f, err := NullPair(now, null, 16).Flow(fuse)
	if err != nil || f.Flows || f.DetectsA < 1 || f.DetectsA > 3 {
		t.Errorf("%+v, %v", f, err)
	}
	if a := f.MostA(); a != f.DetectsA {
		t.Errorf("at most %g A", a)
	}
	for _, s := range []SlotFlow{{Blown: true}, {Flow: &f, BackFed: true}} {
		if _, known := s.MostA(); known {
			t.Errorf("what its circuit draws is known of %+v", s)
		}
	}
}

// What a supply moved by while a pair was read is no gain that the null takes away.
func TestAMovingSupplyIsNotNulled(t *testing.T) {
	still := PairReading{FeedV: 12.5, UFeedV: 0.05, LoadV: 12.495, ULoadV: 0.05}
	null := still
	null.LoadV = 12.5
	moved := still
	moved.UMovedV = 0.003
	p, q := NullPair(still, null, 16), NullPair(moved, null, 16)
	if math.Abs(math.Sqrt(q.UDropMV*q.UDropMV-p.UDropMV*p.UDropMV)-3) > 1e-9 || q.UNullMV != p.UNullMV {
		t.Errorf("%+v moved, %+v still", q, p)
	}
	null.UMovedV = 0.003
	if q := NullPair(still, null, 16); math.Abs(math.Sqrt(q.UNullMV*q.UNullMV-p.UNullMV*p.UNullMV)-3) > 1e-9 {
		t.Errorf("%+v with a null that moved, %+v still", q, p)
	}
}
