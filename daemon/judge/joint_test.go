package judge

import (
	"math"
	"slices"
	"testing"

	"keyturn/daemon/handbook"
)

// One joint of 50 mΩ: 0.25 V at 5 A, 1.5 V at 30 A, by Ohm's law; the limit is that of a
// simple circuit or one connector.
func TestJointByItsFuse(t *testing.T) {
	limits := handbook.VoltDropLimits()
	if i := slices.IndexFunc(limits, func(l handbook.PracticeLimit) bool { return l.What == "simple circuit, or one connector" }); i < 0 || limits[i].MostV != jointMostV {
		t.Errorf("the limit is not that of the trade: %+v", limits)
	}
	for _, x := range []struct {
		ratingA, mOhm, uMOhm float64
		probe                bool
		code                 ReasonCode
	}{
		{5, 50, 2, false, ""},
		{5, 99, 0.2, false, ""},
		{5, 101, 0.2, false, JointLoses},
		{30, 50, 2, false, JointLoses},
		{30, 16, 0.2, false, ""},
		{30, 17, 0.1, false, JointLoses},
		{30, 17, 0.5, false, JointUndecided},
		{10, 60, 1, false, JointLoses},
		{10, 60, 1, true, JointUndecided}, // of it 50 mΩ may be the probe's
		{10, 110, 1, true, JointLoses},
		{0, 5000, 1, false, ""}, // at what current is not known
	} {
		s := good("f01")
		s.RatingA, s.LoadA, s.Path = x.ratingA, 0, &Path{MOhm: x.mOhm, UMOhm: x.uMOhm, IncludesProbe: x.probe}
		w := switched()
		w.CurrentA = 0.5
		c := ChooseFeed(w, []FeedSlot{s})[0]
		var got Reason
		for _, r := range c.Reasons {
			if r.Code == JointLoses || r.Code == JointUndecided {
				got = r
			}
		}
		if got.Code != x.code || got.Code != "" && math.Abs(got.Value-x.mOhm*1e-3*x.ratingA) > 1e-12 || got.Code == JointLoses && c.Fits() {
			t.Errorf("%+v: %+v", x, c.Reasons)
		}
	}
	// The bench's own finding stands behind a small fuse, too.
	s := good("f01")
	s.RatingA, s.LoadA, s.Path, s.Amiss = 2, 0, &Path{MOhm: 150}, []Amiss{HighResistance}
	w := switched()
	w.CurrentA = 0.5
	if c := ChooseFeed(w, []FeedSlot{s})[0]; c.Fits() {
		t.Errorf("%+v", c.Reasons)
	}
}
