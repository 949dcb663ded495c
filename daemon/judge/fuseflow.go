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

// FuseFlow is the current through a fuse in its slot.
type FuseFlow struct {
	Flows bool
	// Backwards: from the load side to the feed side.
	Backwards bool
	Current   handbook.FuseCurrent // where it flows
	// DetectsA is the detection limit: a current above it is found 97.7 times in 100,
	// through any good fuse. Where none was found, no more than this flows.
	DetectsA float64
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
	out := FuseFlow{Flows: math.Abs(mv) > kDiffers*u, Backwards: mv < 0, DetectsA: least.HighA}
	if !out.Flows {
		out.Backwards = false
		return out, nil
	}
	out.Current, err = r.Current(handbook.Drop{MV: math.Abs(mv), UMV: kDiffers * u})
	return out, err
}
