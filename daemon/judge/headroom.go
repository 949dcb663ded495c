package judge

import "keyturn/daemon/handbook"

// SpareA is what a fuse still has to give to an added circuit, in amperes: its rating
// times the share for its place, less what its own circuit draws
// (handbook.AddOnShares). It may be negative.
func SpareA(ratingA float64, engineBay bool, loadA float64) float64 {
	return handbook.AddOn(engineBay).Share*ratingA - loadA
}

// AddedFuseA is the rating of an added circuit's own fuse: the smallest of a type that
// carries the current for good (handbook.ContinuousShare). It is larger than no limit;
// within is false, and the rating the one that would be needed, where it were. 0: no
// rating of the type is large enough.
func AddedFuseA(t handbook.FuseType, currentA float64, limitsA ...float64) (ratingA float64, within bool) {
	for _, f := range handbook.FuseColours(t) {
		if f.RatingA*handbook.ContinuousShare < currentA {
			continue
		}
		within = true
		for _, l := range limitsA {
			within = within && f.RatingA <= l
		}
		return f.RatingA, within
	}
	return 0, false
}

// current asks whether the slot has the current to spare, and for the added fuse.
func (c *Choice) current(w Want) {
	s := &c.Slot
	if s.RatingA <= 0 {
		c.add(Reason{Code: RatingNotKnown, Weight: Against})
		return
	}
	c.SpareA = SpareA(s.RatingA, s.EngineBay, s.LoadA)
	if c.SpareA < w.CurrentA {
		c.add(Reason{Code: TooLittleSpare, Weight: Refuses, Value: c.SpareA, Limit: w.CurrentA})
		return
	}
	if s.Basis >= LoadWorstCase {
		c.add(Reason{Code: SpareKnown, Weight: Speaks, Value: c.SpareA, Limit: w.CurrentA})
	} else {
		c.add(Reason{Code: SpareProvisional, Weight: Provisional, Value: c.SpareA, Limit: w.CurrentA})
	}
	// Beyond the spare current the added circuit's own fault would open the vehicle's
	// fuse first. That one is never uprated.
	limit := min(c.SpareA, s.RatingA)
	if w.AddedMostA > 0 {
		limit = min(limit, w.AddedMostA)
	}
	if len(handbook.FuseColours(c.AddedType)) == 0 {
		c.add(Reason{Code: TapFuseNotKnown, Weight: Against})
		return
	}
	rating, within := AddedFuseA(c.AddedType, w.CurrentA, limit)
	if !within {
		c.add(Reason{Code: NoFuseFits, Weight: Refuses, Value: rating, Limit: limit})
		return
	}
	c.AddedFuseA = rating
}
