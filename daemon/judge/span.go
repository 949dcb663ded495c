package judge

import "math"

// The limits beyond what the uncertainties allow. All are common practice, no published
// source: two turns of the key on an untouched vehicle differ so much by themselves.
const (
	// onSlackS is for what comes live with the key: relays, contacts, the hand.
	onSlackS = 0.1
	// offSlackS is for what stays on for a moment: what runs down, a wiper on its way home.
	offSlackS = 0.5
	// timerSlack is for timers and control units, as a fraction of the longer time.
	timerSlack = 0.1
	// dipSlackV is for two starts of one engine: where its pistons stood, how warm it was,
	// what the battery had left.
	dipSlackV = 0.5
	// fallSlackV is for a slot against the battery of the same start: what else its feed
	// carried.
	fallSlackV = 0.3
)

// Two values differ beyond kDiffers of the standard uncertainty of their difference,
// the usual 95 % (JCGM 100:2008, G.3), and certainly so beyond kCertain, 99.7 %: in a
// box of sixty slots one in twenty would always be amiss.
const (
	kDiffers = 2
	kCertain = 3
)

// span is a figure that lies between two bounds, each with the standard uncertainty u.
type span struct{ lo, hi, u float64 }

func (s *span) open() bool { return math.IsInf(s.hi, 1) }

func (t *Time) span() *span {
	switch {
	case t == nil:
		return nil
	case t.Open:
		return &span{t.S, math.Inf(1), math.Abs(t.US)}
	}
	return &span{t.S, t.S, math.Abs(t.US)}
}

func (d *Dip) span() *span {
	switch {
	case d == nil:
		return nil
	case d.AtOrBelow:
		return &span{math.Inf(-1), d.V, math.Abs(d.UV)}
	}
	return &span{d.V - max(0, d.HiddenV), d.V, math.Abs(d.UV)}
}

// less is the difference of two figures (JCGM 100:2008, 5.1.2).
func (s *span) less(o *span) *span {
	return &span{s.lo - o.hi, s.hi - o.lo, math.Hypot(s.u, o.u)}
}

// timeSlackS is what times after key-off may differ by, from the longest that is known.
func timeSlackS(b, a *span) float64 {
	if b == nil || a == nil {
		return 0
	}
	return max(offSlackS, timerSlack*max(b.lo, a.lo))
}

// unequal reports whether two figures are further apart than uncertainty and slack allow.
func unequal(b, a *span, slack float64) (differs, certain bool) {
	if b == nil || a == nil {
		return false, false
	}
	apart, u := max(b.lo-a.hi, a.lo-b.hi)-slack, math.Hypot(b.u, a.u)
	return apart > kDiffers*u, apart > kCertain*u
}
