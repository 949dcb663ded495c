package handbook

import (
	"fmt"
	"math"
	"slices"
)

// This file turns the volt drop across a fuse into the current through it. The
// fuse is a shunt that nobody has adjusted: the answer is a range.

// FuseResistance is what a fuse of a rating measures between its blades.
type FuseResistance struct {
	RatingA      float64
	ColdMilliOhm float64 // typical, at room temperature, with next to no current
	DropMV       float64 // typical, at the rated current; 0: not known
	Source       Source
}

// FuseTolerance is how far a good fuse may lie from its typical cold resistance,
// as a share: about a tenth between makers, and another tenth because zinc
// changes by 0.4 % a kelvin and an engine bay is not at 23 °C. Look-alikes of no
// known make follow no table (MACS Service Reports, June 2017).
const FuseTolerance = 0.2

// FuseToleranceSource is the source of FuseTolerance.
func FuseToleranceSource() Source { return Source{Standing: CommonPractice} }

// At rated current a fuse is hot: its resistance has risen by this share of the
// cold one. In the table of type C the rise is 0.32 to 0.47.
const (
	hotRise     = 0.42
	hotRiseMost = 0.5
)

var (
	fuseSheets = Source{Document: "data sheets of blade fuses", Standing: FromMemory}
	// mvwautotechniek.nl, "voltage drop over fuses": 1 mV is 130 mA.
	dropPage = Source{Document: "a training page on volt drop over fuses", Standing: WorkedExample}
	// 1.0 mV is 218 mA.
	macs = Source{Document: "MACS Service Reports, June 2017", Place: "figure 13", Standing: WorkedExample}

	mediumResistances = []FuseResistance{
		{1, 123, 176, fuseSheets},
		{2, 53.5, 141, fuseSheets},
		{3, 31.1, 137, fuseSheets},
		{4, 22.8, 0, fuseSheets},
		{5, 17.85, 128, fuseSheets},
		{7.5, 10.91, 116, fuseSheets},
		{10, 7.69, 109, dropPage},
		{15, 4.80, 102, fuseSheets},
		{20, 3.38, 98, fuseSheets},
		{25, 2.52, 92, fuseSheets},
		{30, 1.97, 84, fuseSheets},
		{35, 1.61, 0, fuseSheets},
		{40, 1.44, 0, fuseSheets},
	}
	miniatureResistances = []FuseResistance{
		{5, 17, 0, fuseSheets},
		{7.5, 10.9, 0, fuseSheets},
		{10, 7.5, 0, fuseSheets},
		{15, 4.59, 0, macs},
		{20, 3.2, 0, fuseSheets},
		{25, 2.4, 0, fuseSheets},
		{30, 1.85, 0, fuseSheets},
	}
)

// FuseResistances are the rows of types C and F, smallest rating first; other
// types have none. Drops at the rated current are from memory throughout.
func FuseResistances(t FuseType) []FuseResistance {
	var rows []FuseResistance
	switch t {
	case FuseC:
		rows = mediumResistances
	case FuseF:
		rows = miniatureResistances
	}
	return slices.Clone(rows)
}

// ResistanceOfFuse is what a fuse of a rating measures.
func ResistanceOfFuse(t FuseType, ratingA float64) (FuseResistance, error) {
	var has []float64
	for _, r := range FuseResistances(t) {
		if r.RatingA == ratingA {
			return r, nil
		}
		has = append(has, r.RatingA)
	}
	return FuseResistance{}, noRating("fuse resistances", t, fmt.Sprintf("%g A", ratingA), has)
}

// Drop is a measured volt drop, without its sign.
type Drop struct {
	MV  float64
	UMV float64 // the true drop lies within ± this
}

// FuseCurrent is the current that a volt drop stands for.
type FuseCurrent struct {
	A           float64 // for a typical fuse
	LowA, HighA float64 // for any good fuse
	Source      Source  // of the resistance
}

// Current is the current at a volt drop, up to the fuse's rating.
//
// The cold resistance alone would overstate it, for a fuse warms. A is that of a
// strip whose rise follows its heat (Joule's law) and whose resistance follows its
// rise, from the cold row to the hot one. The range needs less: a resistance that
// rises ever faster with the current lies between the cold value (HighA) and the
// straight line from cold to hot (LowA), each at the end of its tolerance.
func (r FuseResistance) Current(d Drop) (FuseCurrent, error) {
	if !(d.MV >= 0 && d.UMV >= 0) || math.IsInf(d.MV+d.UMV, 1) {
		return FuseCurrent{}, fmt.Errorf("current from a volt drop of %g ± %g mV: want numbers from 0", d.MV, d.UMV)
	}
	coldMV := r.ColdMilliOhm * r.RatingA // at the rating, were it cold
	mostMV := r.DropMV
	if mostMV == 0 {
		mostMV = coldMV * (1 + hotRise)
	}
	if d.MV > mostMV {
		return FuseCurrent{}, &NotInTable{fmt.Sprintf("current through a %g A fuse", r.RatingA), fmt.Sprintf("%g mV", d.MV), fmt.Sprintf("0 to %.3g mV, up to its rating", mostMV)}
	}
	return FuseCurrent{
		A:      r.RatingA * warming(d.MV/coldMV, mostMV/coldMV-1),
		LowA:   r.RatingA * straight(max(0, d.MV-d.UMV)/coldMV/(1+FuseTolerance), hotRiseMost),
		HighA:  (d.MV + d.UMV) / r.ColdMilliOhm / (1 - FuseTolerance),
		Source: r.Source,
	}, nil
}

// warming solves x / (1 - q·x²) = y, q = rise/(1 + rise): share of the rating over
// share of the cold drop, for a strip with R = cold·(1 + k·x²·R).
func warming(y, rise float64) float64 {
	if y == 0 {
		return 0
	}
	q := rise / (1 + rise)
	return (math.Sqrt(1+4*q*y*y) - 1) / (2 * q * y)
}

// straight solves x·(1 + rise·x) = y.
func straight(y, rise float64) float64 { return (math.Sqrt(1+4*rise*y) - 1) / (2 * rise) }
