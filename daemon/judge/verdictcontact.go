package judge

import (
	"math"
	"slices"
)

// This file judges the contacts of a slot, by what its volts do under a load.

// matchingLeast is how many other slots make out what is usual: the median of three
// holds though one of them is bad.
const matchingLeast = 3

// contact judges the strength of the slot's volts and the resistance that they come
// through.
func (v *verdict) contact() {
	leftOut := v.bench.limits.leftOut(CheckContact)
	worst := VerdictReason{Code: ContactNotTested, Makes: Unproven}
	for i := range v.slot.Rounds {
		s := v.slot.Rounds[i].Source
		if s != nil && s.Ghost {
			v.add(VerdictReason{Code: GhostFound, Makes: Fail})
			return
		}
		if s == nil || s.Path == nil {
			continue
		}
		if r := v.bench.limits.resistance(s.Path); worst.Code == ContactNotTested || r.Makes < worst.Makes {
			worst = r
		}
	}
	if worst.Code != ContactNotTested || !leftOut {
		v.add(worst)
	}
	if r, ok := v.above(); ok && (r.Code != ContactNotCompared || !leftOut) {
		v.add(r)
	}
}

// span is what the slot's own contact may have: the probe's may be all or nothing of it.
func (p *Path) span(probeMOhm float64) *span {
	s := &span{p.MOhm, p.MOhm, math.Abs(p.UMOhm)}
	if p.IncludesProbe {
		s.lo -= probeMOhm
	}
	return s
}

// resistance holds a path to both limits. One that may be above the upper and below the
// lower is not proven.
func (l *Limits) resistance(p *Path) VerdictReason {
	s := p.span(l.ProbeMOhm)
	pass, fail := atMost(s, l.ContactPassMOhm), atMost(s, l.ContactFailMOhm)
	out := VerdictReason{Code: ContactResistance, Makes: Marginal, Value: p.MOhm, U: s.u, Limit: l.ContactPassMOhm}
	if p.IncludesProbe {
		out.Code = ContactWithProbe
	}
	switch {
	case pass == Pass:
		out.Makes = Pass
	case fail == Fail:
		out.Makes, out.Limit = Fail, l.ContactFailMOhm
	case pass == Marginal && fail == Marginal:
		out.Makes, out.Limit = Unproven, l.ContactFailMOhm
	}
	return out
}

// above holds the slot's contact to those of matching slots. It says nothing where the
// box has too few of them, and nothing good of a contact with the probe's in it.
func (v *verdict) above() (VerdictReason, bool) {
	var others []*Path
	testable := 0
	for i := range v.bench.slots {
		o := &v.bench.slots[i]
		if o.Name == v.slot.Name || o.Match != v.slot.Match || o.Avoid != "" || o.Network || o.Expected.Behaviour == NoVolts {
			continue
		}
		testable++
		if p := o.path(); p != nil {
			others = append(others, p)
		}
	}
	own := v.slot.path()
	if own == nil || testable < matchingLeast {
		return VerdictReason{}, false
	}
	if len(others) < matchingLeast {
		return VerdictReason{Code: ContactNotCompared, Makes: Unproven}, true
	}
	m, u := median(others)
	l := &v.bench.limits
	s := own.span(l.ProbeMOhm).less(&span{m, m, u})
	o := atMost(s, l.ContactAboveMOhm)
	return VerdictReason{Code: ContactAbove, Makes: o, Value: own.MOhm - m, U: s.u, Limit: l.ContactAboveMOhm}, o == Fail || o == Marginal && !own.IncludesProbe
}

// path is the largest that a slot's rounds show; nil without one.
func (s *BoxSlot) path() *Path {
	var out *Path
	for i := range s.Rounds {
		if r := s.Rounds[i].Source; r != nil && !r.Ghost && r.Path != nil && (out == nil || r.Path.MOhm > out.MOhm) {
			out = r.Path
		}
	}
	return out
}

// median of resistances, with its standard uncertainty: that of a mean, times √(π/2) for
// values that are spread as a Gaussian is.
func median(paths []*Path) (m, u float64) {
	var v []float64
	for _, p := range paths {
		v = append(v, p.MOhm)
		u += p.UMOhm * p.UMOhm
	}
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2, math.Sqrt(math.Pi/2*u) / float64(n)
}
