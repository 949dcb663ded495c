package measure

import (
	"math"

	"keyturn/adc"
)

// This file decides from the current, sample by sample, whether the vehicle sleeps; see
// quiescent.go.

// use takes the next sample since key-off.
func (q *quiescence) use(e *Engine, r *current) {
	gap := r.gap && q.used.to > q.off || r.from.Sub(q.used.to) > currentGapMax
	q.out.Charge.add(&q.used, r, gap)
	q.latest.add(r, gap)
	limit := q.limitA
	if q.out.Asleep != nil && !q.waking {
		limit *= wakeAbove
	}
	// Against the flow too: a shunt wired the wrong way round must not look asleep.
	if math.Abs(r.a) > limit {
		q.high(e, r)
	} else {
		q.settle(e, r, gap)
	}
	q.used = *r
}

// high takes a sample above the limit.
func (q *quiescence) high(e *Engine, r *current) {
	q.isLow, q.doubt, q.out.NoCurrent, q.lastHigh = false, false, false, r.from.Add(-r.err)
	if q.out.Asleep == nil {
		return
	}
	if !q.waking {
		q.waking = true
		w := Wake{Moment: momentOf(q.used.from.Add(-q.used.err), r.to.Add(r.err))}
		w.Slots = e.wentLive(w.NotBefore.Add(-wokeWithin), w.NotAfter.Add(wokeWithin))
		if len(q.out.Wakes) == wakesMost {
			q.out.Wakes, q.out.LeftOut = q.out.Wakes[:wakesMost-1], q.out.LeftOut+1
		}
		q.out.Wakes = append(q.out.Wakes, w)
		e.cycle.changed = true
	}
	if w := &q.out.Wakes[len(q.out.Wakes)-1]; math.Abs(r.a) > math.Abs(w.PeakA) {
		w.PeakA = r.a
	}
}

// settle takes a sample below the limit.
func (q *quiescence) settle(e *Engine, r *current, gap bool) {
	switch {
	case !q.isLow:
		q.isLow, q.low = true, momentOf(q.lastHigh, r.to.Add(r.err))
		q.lowFrom, q.below = r.from, level{}
	case gap: // it may have been above meanwhile
		if q.out.Asleep == nil || q.waking {
			q.low = momentOf(q.low.NotBefore, r.to.Add(r.err))
		}
		q.lowFrom, q.below = r.from, level{}
	}
	q.below.add(r)
	if r.to.Sub(q.lowFrom) < asleepStays {
		return
	}
	if math.Abs(q.below.mean) < 2*q.d.UCurrent(0) {
		q.out.NoCurrent, q.doubt = true, true
		q.lowFrom, q.below = r.from, level{}
		return
	}
	q.out.NoCurrent = false
	if q.doubt { // when it began to flow is not known
		q.low, q.doubt = momentOf(q.low.NotBefore, r.to.Add(r.err)), false
	}
	switch {
	case q.out.Asleep == nil:
		at := q.low
		q.out.Asleep = &at
		e.cycle.changed = true
	case q.waking:
		w := &q.out.Wakes[len(q.out.Wakes)-1]
		w.Lasted, q.waking = max(0, q.low.At.Sub(w.At)), false
		e.cycle.changed = true
	}
	q.rest.add(r)
}

// wentLive lists the slots that went live between two instants.
func (e *Engine) wentLive(from, to adc.Instant) (slots []int) {
	for i, s := range e.p.Slots {
		found := false
		for _, sl := range s.Leads {
			for _, t := range e.leads[sl.Lead].trans {
				found = found || t.State == Live && t.At >= from && t.At <= to
			}
		}
		if found {
			slots = append(slots, i)
		}
	}
	return slots
}

// result is what is known by now; nil before key-off and without a current lead.
func (q *quiescence) result() *Quiescent {
	if !q.on {
		return nil
	}
	out := q.out
	out.Wakes = append([]Wake(nil), q.out.Wakes...)
	if n := len(out.Wakes); q.waking {
		w := &out.Wakes[n-1]
		w.Open, w.Lasted = true, max(0, q.used.to.Sub(w.At))
	}
	l := q.latest.level()
	if out.Asleep != nil {
		l = q.rest
	}
	if l.n > 0 {
		out.MeanA, out.UA, out.From, out.To = l.mean, math.Hypot(q.d.UCurrent(l.mean), l.u()), l.from, l.to
	}
	out.Charge.u(&q.d)
	return &out
}
