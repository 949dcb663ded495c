package judge

import (
	"math"

	"keyturn/daemon/handbook"
)

// FusePair is what the two leads of a slot read with its fuse in, in millivolts.
type FusePair struct {
	// DropMV is the feed side less the other, NullMV the same with both leads on one
	// contact: what the pair disagrees by. UDropMV and UNullMV are their standard
	// uncertainties (k = 1), of what nulling does not remove.
	DropMV, UDropMV float64
	NullMV, UNullMV float64
}

// PairReading is what the two leads of a slot read at rest, at the same time, in volts, each
// with its standard uncertainty (k = 1) by itself. UMovedV is that of their difference as far
// as it comes of a supply that moved meanwhile.
type PairReading struct{ FeedV, UFeedV, LoadV, ULoadV, UMovedV float64 }

const (
	// stepV is the step of a converter of 16 bits at the probe: 125 µV behind a divider of
	// 13.2 (SBAS444E, full scale of 4.096 V). One of 12 bits has 16 times as much (SBAS473E). By how many
	// steps a lead moved is wrong by a part f of them with the variance f·(1 - f), a quarter
	// of a step squared at most.
	stepV = 0.00165
	// levelNoiseV is what else a level is uncertain by on its own: rounded to the mV (JCGM
	// 100:2008, F.2.2.1), and noise of 1.6 mV over the 8 samples at least of it: two blocks of
	// 16, of which every 4th is looked at (steadyChunk and steadyEach in daemon/measure).
	levelNoiseV = 0.00064
	// pairDrift is by how much a pair drifts apart a kelvin, as a share of the volts: four
	// resistors of 50 ppm/K and two converters of 40 ppm/K, each uniform, as the leads are
	// built (SBAS444E, 5.5). pairDriftK is how much warmer or colder it may be
	// than at the null, minutes apart in the same air (common practice, no published source).
	pairDrift  = 62.5e-6
	pairDriftK = 2
)

// NullPair is a pair that was nulled: what the two leads read with no current tells by how
// much they disagree. A disagreement in gain is removed as far as the volts are the same:
// what a lead's own uncertainty leaves of it grows with their difference. What the supply
// moved by is no gain: it counts as it is.
// bits are those of their converters, 16 or 12.
func NullPair(now, null PairReading, bits int) FusePair {
	step := stepV * math.Exp2(float64(16-bits))
	noise := math.Hypot(step/2, math.Sqrt2*levelNoiseV)
	gain := math.Hypot(now.UFeedV, now.ULoadV) / now.FeedV
	left := math.Hypot(gain*(now.FeedV-null.FeedV), pairDrift*pairDriftK*now.FeedV)
	return FusePair{
		DropMV: 1e3 * (now.FeedV - now.LoadV), UDropMV: 1e3 * math.Hypot(math.Hypot(noise, left), now.UMovedV),
		NullMV: 1e3 * (null.FeedV - null.LoadV), UNullMV: 1e3 * math.Hypot(noise, null.UMovedV),
	}
}

// SlotFlow is what a nulled pair shows of a slot with its fuse in.
type SlotFlow struct {
	Slot     string
	Position string // of the key
	// Blown: one side is live and the other has no volts. BackFed: the load side is that, or
	// current flows from it to the feed side for sure.
	Blown, BackFed bool
	// SideKnown: which side is the feed is known, and with it the direction.
	SideKnown bool
	// Flow is the current in the position that tells most; nil where it could not be told, and
	// Why says why. BoundA is the most that may flow in any position.
	Flow   *FuseFlow
	BoundA float64
	Why    string
}

// MostA is the most that flows in any key position that could be told, as far as that is
// known: what the slot's own circuit draws, unless it is fed from elsewhere.
func (f *SlotFlow) MostA() (a float64, known bool) {
	return f.BoundA, f.Flow != nil && !f.BackFed
}

// FuseFlow is the current through a fuse in its slot.
type FuseFlow struct {
	Flows bool
	// Sure: it is beyond the detection limit itself, which chance alone does not make.
	Sure bool
	// Backwards: from the load side to the feed side.
	Backwards bool
	Current   handbook.FuseCurrent // where it flows
	// DetectsA is the detection limit: a current above it is found 97.7 times in 100,
	// through any good fuse. Where none was found, no more than this flows.
	DetectsA float64
}

// MostA is the most that may flow.
func (f *FuseFlow) MostA() float64 {
	if f.Flows {
		return f.Current.HighA
	}
	return f.DetectsA
}

// Flow says whether current flows through a fuse, and how much: a drop beyond twice its
// uncertainty once the pair is nulled. The least drop that is surely found is twice as
// large (ISO 11929, decision threshold and detection limit with k = 2 for both; value
// from memory). It fails for a drop beyond what the fuse has at its rating.
func (p FusePair) Flow(r handbook.FuseResistance) (FuseFlow, error) {
	mv, u := p.DropMV-p.NullMV, math.Hypot(p.UDropMV, p.UNullMV)
	least, err := r.Current(handbook.Drop{MV: 2 * kDiffers * u})
	if err != nil {
		return FuseFlow{}, err
	}
	out := FuseFlow{Flows: math.Abs(mv) > kDiffers*u, Sure: math.Abs(mv) > 2*kDiffers*u, Backwards: mv < 0, DetectsA: least.HighA}
	if !out.Flows {
		out.Backwards = false
		return out, nil
	}
	out.Current, err = r.Current(handbook.Drop{MV: math.Abs(mv), UMV: kDiffers * u})
	return out, err
}
