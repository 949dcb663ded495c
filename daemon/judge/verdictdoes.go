package judge

import (
	"math"
	"slices"
)

// This file holds what a slot does, and when, to what it should do.

// behaviour judges every round, and lets what one proves stand for what another left
// open.
func (v *verdict) behaviour() {
	var open []VerdictReason
	proven, dead := false, v.provenDead()
	for i := range v.slot.Rounds {
		switch r := v.does(&v.slot.Rounds[i]); {
		case r.Code == NoVoltsOrLeadOff && dead:
		case r.Makes == Pass:
			if !proven {
				v.add(r)
			}
			proven = true
		case slices.Contains([]ReasonCode{BehaviourNotProven, SwitchNotWorked, FeedSideUnseen}, r.Code):
			open = append(open, r)
		default:
			v.add(r)
		}
	}
	if !proven && len(open) > 0 {
		v.add(open[0])
	}
	for i := range v.slot.Rounds {
		if slices.Contains(v.slot.Rounds[i].Amiss, ContactLost) {
			v.add(VerdictReason{Code: ContactWasLost, Makes: Marginal})
			return
		}
	}
}

// does judges what a slot did in one round.
func (v *verdict) does(r *Round) VerdictReason {
	want, saw := v.slot.Expected.Behaviour, r.Behaviour
	out := VerdictReason{Code: WrongBehaviour, Makes: Fail, Behaviour: saw, Should: want}
	never := saw == NoVolts || saw == NotProven && slices.Contains(r.Possible, NoVolts)
	switch {
	case never && !r.seesFeed(v.slot.Expected.FeedSide):
		// With the fuse out the load side has none of its own.
		out.Code, out.Makes = FeedSideUnseen, Unproven
	case want != NoVolts && slices.Contains(r.Amiss, Ghost) && never:
		out.Code, out.Makes = GhostFound, r.provenOr(Unproven)
	case never && !slices.Contains(r.options(), want) && !shows(saw, want):
		out.Code, out.Makes = NoVoltsFound, Fail
		if !r.proven() {
			out.Code, out.Makes = NoVoltsOrLeadOff, Unproven
		}
	case saw == NoVolts && want == NoVolts && !r.proven():
		out.Code, out.Makes = NoVoltsOrLeadOff, Unproven
	case saw == want:
		out.Code, out.Makes = AsExpected, Pass
	case saw == Intermittent:
		out.Code = ComesAndGoes
	case saw == NotProven && (len(r.Possible) == 0 || meet(r.Possible, []Behaviour{want})):
		out.Code, out.Makes = BehaviourNotProven, Unproven
	case want == SwitchOperated && shows(saw, want):
		out.Code, out.Makes = SwitchNotWorked, Unproven
	case want == Awake && saw == Permanent:
		// When it sleeps is judged by the time that it stays on.
		out.Code, out.Makes = AsExpected, Pass
		if v.slot.Expected.StaysOnMaxS == nil {
			out.Code, out.Makes = BehaviourNotProven, Unproven
		}
	}
	return out
}

// provenDead reports whether a round shows no volts with leads that are seen to work: then
// it does not matter that another shows none with leads that are not.
func (v *verdict) provenDead() bool {
	return slices.ContainsFunc(v.slot.Rounds, func(r Round) bool {
		code := v.does(&r).Code
		return code == NoVoltsFound || code == AsExpected && v.slot.Expected.Behaviour == NoVolts
	})
}

// seesFeed reports whether the round would have shown volts that the slot has: with the
// fuse out a lead must be on the feed side.
func (r *Round) seesFeed(feed string) bool {
	return !r.unfused() || len(r.Leads) > 1 && feed != Middle || slices.ContainsFunc(r.Leads, func(s Side) bool { return s.Name != "" && s.Name == feed })
}

// proven reports whether every lead of the slot was seen to work, before and after.
func (r *Round) proven() bool {
	return len(r.Leads) > 0 && !slices.ContainsFunc(r.Leads, func(s Side) bool { return !s.Proven })
}

func (r *Round) provenOr(o Outcome) Outcome {
	if r.proven() {
		return Fail
	}
	return o
}

// follows reports whether a behaviour is that of a slot which comes live with the key.
func follows(b Behaviour) bool { return b == Ignition || b == Accessory || b == StartOnly }

// times judges when the slot comes live, how long it stays on, and whether it holds
// while cranking.
func (v *verdict) times() {
	e := &v.slot.Expected
	if follows(e.Behaviour) {
		v.worst(LiveInTime, LiveNotTimed, LiveNotTimed, func(r *Round) (*span, float64, Outcome) {
			s := r.OnAfter.span()
			if s == nil {
				return nil, 0, Unproven
			}
			return s, v.bench.limits.OnWithinS, atMost(s, v.bench.limits.OnWithinS)
		})
	}
	if e.StaysOnMaxS != nil {
		v.worst(OnTooLong, OffNotSeen, StayNotTimed, func(r *Round) (*span, float64, Outcome) {
			s := r.liveAfterOff()
			if s == nil {
				return nil, 0, Unproven
			}
			return s, *e.StaysOnMaxS, atMost(s, *e.StaysOnMaxS)
		})
	}
	if e.StaysOnMinS > 0 {
		v.worst(OffTooEarly, OffNotSeen, StayNotTimed, func(r *Round) (*span, float64, Outcome) {
			s := r.liveAfterOff()
			if s == nil {
				return nil, 0, Unproven
			}
			return s, e.StaysOnMinS, atLeast(s, e.StaysOnMinS)
		})
	}
	if e.OffInStart != nil {
		v.holds(*e.OffInStart)
	}
}

// bound says whether the finite bound of a figure is all that is known of it.
func (s *span) bound() Bound {
	switch {
	case math.IsInf(s.lo, 0):
		return AtMost
	case s.open():
		return AtLeast
	}
	return ""
}

// finite is the lower bound of a figure, or the upper one where it has no lower.
func (s *span) finite() float64 {
	for _, v := range []float64{s.lo, s.hi} {
		if !math.IsInf(v, 0) {
			return v
		}
	}
	return 0
}

// worst judges a figure of each round that has it, and adds the worst; missing where
// none has it. Where a figure has no bound it is open: that stands where no other has one,
// or where it is certainly beyond those that have.
func (v *verdict) worst(code, open, missing ReasonCode, judge func(*Round) (s *span, limit float64, o Outcome)) {
	bounded := VerdictReason{Code: missing, Makes: Unproven}
	var unbounded *VerdictReason
	for i := range v.slot.Rounds {
		s, limit, o := judge(&v.slot.Rounds[i])
		if s == nil {
			continue
		}
		r := VerdictReason{Code: code, Makes: o, Value: s.finite(), U: s.u, Limit: limit, Bound: s.bound()}
		switch {
		case o == Unproven && (unbounded == nil || r.Value > unbounded.Value):
			r.Code = open
			unbounded = &r
		case o != Unproven && (bounded.Code == missing || o < bounded.Makes):
			bounded = r
		}
	}
	if x := unbounded; x != nil && (bounded.Code == missing || x.Value-kDiffers*x.U > bounded.Value+kDiffers*bounded.U) {
		bounded = *x
	}
	v.add(bounded)
}

// holds judges whether the slot is off while cranking, as it should be.
func (v *verdict) holds(off bool) {
	found := VerdictReason{Code: StartNotSeen, Makes: Unproven}
	for i := range v.slot.Rounds {
		switch r := &v.slot.Rounds[i]; {
		case r.OffInStart == nil:
		case *r.OffInStart == off:
			if found.Code == StartNotSeen {
				found = VerdictReason{Code: holdCode(off), Makes: Pass}
			}
		default:
			found = VerdictReason{Code: holdCode(*r.OffInStart), Makes: Fail}
		}
	}
	if found.Code != StartNotSeen || !v.bench.limits.leftOut(CheckStart) {
		v.add(found)
	}
}

func holdCode(off bool) ReasonCode {
	if off {
		return DropsOut
	}
	return HoldsInStart
}

// falls judges how much further than the battery the slot falls while cranking.
func (v *verdict) falls() {
	e := &v.slot.Expected
	measured := slices.ContainsFunc(v.slot.Rounds, func(r Round) bool { return r.Lowest != nil && r.Battery != nil })
	if !measured && v.bench.limits.leftOut(CheckStart) || (e.Behaviour != Permanent && e.Behaviour != Ignition) || e.OffInStart != nil && *e.OffInStart {
		return
	}
	v.worst(Falls, Falls, StartNotSeen, func(r *Round) (*span, float64, Outcome) {
		slot, battery := r.Lowest.span(), r.Battery.span()
		if slot == nil || battery == nil {
			return nil, 0, Unproven
		}
		s := battery.less(slot)
		return s, v.bench.limits.FallV, atMost(s, v.bench.limits.FallV)
	})
}
