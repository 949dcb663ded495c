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
// The cold resistance alone would overstate it: a fuse warms by what it turns to
// heat, which grows with the square of the current. A follows that square from
// the cold row to the hot one. The range needs no such law: a resistance that
// rises ever faster lies between the cold value (HighA) and the straight line
// from cold to hot (LowA), each taken at the end of its tolerance.
func (r FuseResistance) Current(d Drop) (FuseCurrent, error) {
	if !(d.MV >= 0 && d.UMV >= 0) || math.IsInf(d.MV+d.UMV, 1) {
		return FuseCurrent{}, fmt.Errorf("current from a volt drop of %g ± %g mV: want numbers from 0", d.MV, d.UMV)
	}
	rise := hotRise
	ratedMV := r.ColdMilliOhm * r.RatingA
	if r.DropMV > 0 {
		rise = r.DropMV/ratedMV - 1
	}
	c := FuseCurrent{
		A:      r.RatingA * warmed(d.MV/ratedMV, rise, 2),
		LowA:   r.RatingA * warmed(max(0, d.MV-d.UMV)/ratedMV/(1+FuseTolerance), hotRiseMost, 1),
		HighA:  (d.MV + d.UMV) / r.ColdMilliOhm / (1 - FuseTolerance),
		Source: r.Source,
	}
	if c.A > r.RatingA*(1+1e-9) {
		return FuseCurrent{}, &NotInTable{fmt.Sprintf("current through a %g A fuse", r.RatingA), fmt.Sprintf("%g mV", d.MV), fmt.Sprintf("0 to %.3g mV, up to its rating", ratedMV*(1+rise))}
	}
	return c, nil
}

// warmed solves x·(1 + rise·x^power) = y for x, by halving.
func warmed(y, rise, power float64) float64 {
	low, high := 0.0, y
	for range 60 {
		if x := (low + high) / 2; x*(1+rise*math.Pow(x, power)) < y {
			low = x
		} else {
			high = x
		}
	}
	return (low + high) / 2
}
