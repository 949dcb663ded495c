package evidence

import (
	"slices"

	"keyturn/daemon/config"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// Judge writes what the judge says of a box's slots into a document. slots are those that
// BoxSlots returned for the box.
func Judge(d *protocol.Verdict, b *judge.BoxVerdict, slots []judge.BoxSlot, box *config.Box) {
	d.Box, d.Title, d.Datum = box.ID, protocol.OrNull(box.Title), protocol.OrNull(box.Datum)
	d.Outcome, d.OfTested = outcome(b.Outcome), outcome(b.OfTested)
	d.Tested = protocol.VerdictCount{Fail: b.Count[judge.Fail], NotProven: b.Count[judge.Unproven], Marginal: b.Count[judge.Marginal], Pass: b.Count[judge.Pass]}
	d.Untested, d.LeftOut, d.NotVisited, d.Slots = b.Untested, nil, nil, nil
	d.Limits = LimitsDocument(b.Limits)
	for _, c := range b.LeftOut {
		d.LeftOut = append(d.LeftOut, protocol.Check(c))
	}
	for _, p := range b.NotVisited {
		d.NotVisited = append(d.NotVisited, protocol.Position(p))
	}
	for i := range b.Slots {
		v := &b.Slots[i]
		s := protocol.SlotVerdict{Slot: v.Slot, Outcome: outcome(v.Outcome)}
		if x := box.Slot(v.Slot); x != nil {
			s.Legend, s.Place = protocol.OrNull(x.Legend), &protocol.Place{Row: x.Row, Column: x.Column}
		}
		for _, r := range slots[i].Rounds {
			s.Rounds = append(s.Rounds, r.Number)
		}
		for k := range v.Reasons {
			s.Reasons = append(s.Reasons, reasonDocument(&v.Reasons[k]))
		}
		d.Slots = append(d.Slots, s)
	}
}

// Carry puts what an earlier test of the same box said of the slots that were not asked for
// again into a document that Judge has written. What was found amiss of them all the same
// stands; what either test left out or did not visit is left out of both together.
func Carry(d, earlier *protocol.Verdict, asked []string) {
	for i := range d.Slots {
		s := &d.Slots[i]
		k := slices.IndexFunc(earlier.Slots, func(x protocol.SlotVerdict) bool { return x.Slot == s.Slot })
		amiss := len(s.Rounds) > 0 && (s.Outcome == protocol.OutcomeFail || s.Outcome == protocol.OutcomeMarginal)
		if k < 0 || amiss || slices.Contains(asked, s.Slot) {
			continue
		}
		*s = earlier.Slots[k]
		if s.Test == "" {
			s.Test = protocol.OrNull(earlier.ID)
		}
	}
	for _, c := range earlier.LeftOut {
		if !slices.Contains(d.LeftOut, c) {
			d.LeftOut = append(d.LeftOut, c)
		}
	}
	for _, p := range earlier.NotVisited {
		if !slices.Contains(d.NotVisited, p) {
			d.NotVisited = append(d.NotVisited, p)
		}
	}
	b := Verdict(d)
	d.Outcome, d.OfTested, d.Untested, d.Tested = protocol.OutcomePass, protocol.OutcomePass, 0, protocol.VerdictCount{}
	for i := range b.Slots {
		v := &b.Slots[i]
		d.Outcome = outcome(min(outcomeOf(d.Outcome), v.Outcome))
		if !v.Tested() {
			d.Untested++
			continue
		}
		d.OfTested = outcome(min(outcomeOf(d.OfTested), v.Outcome))
		*map[judge.Outcome]*int{judge.Fail: &d.Tested.Fail, judge.Unproven: &d.Tested.NotProven, judge.Marginal: &d.Tested.Marginal, judge.Pass: &d.Tested.Pass}[v.Outcome]++
	}
}

func outcome(o judge.Outcome) protocol.Outcome { return protocol.Outcome(o.String()) }

func reasonDocument(r *judge.VerdictReason) protocol.VerdictReason {
	out := protocol.VerdictReason{Reason: string(r.Code), Makes: outcome(r.Makes), Unit: report.VerdictUnit(r.Code), Behaviour: protocol.Behaviour(r.Behaviour),
		Should: protocol.Behaviour(r.Should), Position: protocol.Position(r.Position), Side: r.Side, Other: r.Other}
	if out.Unit != "" {
		figure := func(v float64) *protocol.Figure { f := protocol.Figure(v); return &f }
		out.Value, out.U, out.Limit, out.Bound = figure(r.Value), figure(r.U), figure(r.Limit), protocol.Bound(r.Bound)
	}
	return out
}

// Verdict is a document as reports show it. An outcome that this program does not know is
// not proven.
func Verdict(d *protocol.Verdict) report.BoxVerdict {
	b := report.BoxVerdict{Box: d.Box, Title: string(d.Title), Legends: map[string]string{}, Before: d.Before}
	b.Outcome, b.OfTested, b.Untested = outcomeOf(d.Outcome), outcomeOf(d.OfTested), d.Untested
	b.Count = [judge.Pass + 1]int{judge.Fail: d.Tested.Fail, judge.Unproven: d.Tested.NotProven, judge.Marginal: d.Tested.Marginal, judge.Pass: d.Tested.Pass}
	b.Limits = limitsOf(d.Limits)
	for _, c := range d.LeftOut {
		b.LeftOut = append(b.LeftOut, judge.Check(c))
	}
	for _, p := range d.NotVisited {
		b.NotVisited = append(b.NotVisited, string(p))
	}
	for i := range d.Slots {
		s := &d.Slots[i]
		b.Legends[s.Slot] = string(s.Legend)
		v := judge.Verdict{Slot: s.Slot, Outcome: outcomeOf(s.Outcome)}
		for k := range s.Reasons {
			v.Reasons = append(v.Reasons, reasonOf(&s.Reasons[k]))
		}
		b.Slots = append(b.Slots, v)
	}
	return b
}

// LimitsDocument are limits as documents carry them; nil for none.
func LimitsDocument(l *judge.Limits) *protocol.VerdictLimits {
	if l == nil {
		return nil
	}
	return &protocol.VerdictLimits{ContactPassMOhm: protocol.Figure(l.ContactPassMOhm), ContactFailMOhm: protocol.Figure(l.ContactFailMOhm), ContactAboveMOhm: protocol.Figure(l.ContactAboveMOhm),
		ProbeMOhm: protocol.Figure(l.ProbeMOhm), OnWithinS: protocol.Figure(l.OnWithinS), FallV: protocol.Figure(l.FallV)}
}

func limitsOf(l *protocol.VerdictLimits) *judge.Limits {
	if l == nil {
		return nil
	}
	return &judge.Limits{ContactPassMOhm: float64(l.ContactPassMOhm), ContactFailMOhm: float64(l.ContactFailMOhm), ContactAboveMOhm: float64(l.ContactAboveMOhm),
		ProbeMOhm: float64(l.ProbeMOhm), OnWithinS: float64(l.OnWithinS), FallV: float64(l.FallV)}
}

func outcomeOf(o protocol.Outcome) judge.Outcome {
	for x := judge.Fail; x <= judge.Pass; x++ {
		if outcome(x) == o {
			return x
		}
	}
	return judge.Unproven
}

func reasonOf(r *protocol.VerdictReason) judge.VerdictReason {
	out := judge.VerdictReason{Code: judge.ReasonCode(r.Reason), Makes: outcomeOf(r.Makes), Behaviour: judge.Behaviour(r.Behaviour), Should: judge.Behaviour(r.Should),
		Position: string(r.Position), Side: r.Side, Other: r.Other}
	if r.Value != nil && r.U != nil && r.Limit != nil {
		out.Value, out.U, out.Limit, out.Bound = float64(*r.Value), float64(*r.U), float64(*r.Limit), judge.Bound(r.Bound)
	}
	return out
}
