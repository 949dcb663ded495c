package judge

// jointMostV is the volt drop that a feed may have at its fuse's rating, which is the most
// that flows in it for long: the usual limit of a simple circuit or one connector
// (handbook.VoltDropLimits). A resistance is nothing by itself: 50 mΩ lose 0.25 V behind a
// fuse of 5 A, and 1.5 V behind one of 30 A. The usual limit for a bad joint, 0.1 Ω, is
// the same drop at 5 A; what is above that is refused behind a smaller fuse, too, for a
// joint that has gone so bad gets worse.
const jointMostV = 0.5

// joint asks whether the path of the slot's feed bears what its fuse lets flow.
func (c *Choice) joint() {
	s := &c.Slot
	if s.Path == nil || s.RatingA <= 0 {
		return
	}
	p := s.Path.span(DefaultLimits().ProbeMOhm)
	volts := func(mOhm float64) float64 { return mOhm * 1e-3 * s.RatingA }
	r := Reason{Code: JointLoses, Weight: Refuses, Value: volts(s.Path.MOhm), Limit: jointMostV}
	switch atMost(&span{volts(p.lo), volts(p.hi), volts(p.u)}, jointMostV) {
	case Fail:
		c.add(r)
	case Marginal:
		r.Code, r.Weight = JointUndecided, Provisional
		c.add(r)
	}
}
