package measure

import (
	"time"

	"keyturn/adc"
)

// This file follows the current that the battery gives after key-off, on the one lead
// that measures a current: when the vehicle falls asleep, what it draws then, and what
// wakes it. A current is never live or dead and meets no other lead's samples.
//
//	        stays below the limit              above it by a tenth
//	awake ────────────────────────▶ asleep ───────────────────────▶ wake
//	                                   ▲                              │
//	                                   └──────────────────────────────┘
//	                                        stays below the limit
//
// Samples wait before they are used, until no Blind can void them any more.

const (
	// asleepStays is how long a current must stay below the limit to be asleep: the
	// pauses between the steps in which a vehicle shuts down, and between the bursts
	// of one wake, are shorter (common practice, no published source).
	asleepStays = 10 * time.Second
	// wakeAbove is the current that ends a sleep, as a part of the limit: noise at the
	// limit must not.
	wakeAbove = 1.1
	// currentHold is how long a sample waits: the scanner proves a chip more often.
	currentHold = 2 * time.Second
	// currentGapMax is the longest silence that is no gap.
	currentGapMax = time.Second
	// pendingMax bounds the waiting samples: twice what the fastest rate makes of
	// currentHold.
	pendingMax = 4096
	// wakesMost bounds the wakes kept of a cycle: the first ones and the latest.
	wakesMost = 64
	// wokeWithin is how far from the bracket of a wake a slot may have gone live to be
	// named beside it.
	wokeWithin = time.Second
)

// Quiescent is what a cycle shows of the current after key-off.
type Quiescent struct {
	Lead   int
	Off    adc.Instant // key-off
	LimitA float64
	// MeanA is the mean current from From to To, in amperes: asleep, wakes left out;
	// or, while the vehicle has not fallen asleep, of the latest minute. UA is its
	// standard uncertainty (k = 1). Valid if To is not 0.
	MeanA, UA float64
	From, To  adc.Instant
	// Asleep is when the current fell below the limit to stay there; nil if it did not.
	Asleep *Moment
	// NoCurrent says that what is below the limit cannot be told from zero: no vehicle
	// draws nothing, so the shunt is bridged or not in the battery's path. It is then
	// not taken for sleep.
	NoCurrent bool
	Wakes     []Wake
	// LeftOut is how many wakes there were between the first of them and the latest
	// that are not among them.
	LeftOut int
	Charge  Charge
}

// Moment is an instant that is known to lie between two others.
type Moment struct{ At, NotBefore, NotAfter adc.Instant }

func momentOf(notBefore, notAfter adc.Instant) Moment {
	return Moment{notBefore + (notAfter-notBefore)/2, notBefore, notAfter}
}

// Wake is a rise of the current out of sleep.
type Wake struct {
	Moment
	// Lasted is the time until the current stayed below the limit again, so far if
	// Open.
	Lasted time.Duration
	Open   bool
	PeakA  float64 // the greatest mean of a sample's window
	// Slots lists the slots that went live beside it, by index: not a proof that they
	// woke it.
	Slots []int
}

// current is one sample of the current lead.
type current struct {
	from, to adc.Instant
	err      time.Duration // half-width within which both are certain
	a        float64
	over     bool // beyond the converter's range
	gap      bool // nothing is known of the time before it
}

// quiescence follows the current lead.
type quiescence struct {
	lead    int // NoLead if there is none
	d       adc.Lead
	limitA  float64
	pending []current
	lastTo  adc.Instant // end of the latest sample taken
	blind   bool
	reason  string
	gap     bool // before the next sample

	on       bool // the key of an open cycle is off
	off      adc.Instant
	used     current // the latest sample used
	lastHigh adc.Instant
	low      Moment // when the current fell below the limit, if it stays there
	isLow    bool
	lowFrom  adc.Instant // it has been seen below it without a gap since
	below    level       // since lowFrom
	doubt    bool        // what was below the limit could not be told from zero
	rest     level       // asleep, without wakes
	latest   minute
	waking   bool
	out      Quiescent
}

func newQuiescence(p *Params) quiescence {
	q := quiescence{lead: NoLead, limitA: p.AsleepBelowA}
	for i := range p.Leads {
		if p.Leads[i].IsCurrent() {
			q.lead, q.d = i, p.Leads[i]
			q.pending = make([]current, 0, 256)
		}
	}
	return q
}

// takeCurrent takes a sample of the current lead.
func (e *Engine) takeCurrent(s *adc.Sample) {
	q := &e.quiescence
	switch {
	case s.From < q.lastTo || s.To <= s.From:
		e.refuse(s.Lead, "sample out of the order of time")
		return
	case len(q.pending) == pendingMax:
		e.refuse(s.Lead, "more samples than a current needs")
		return
	}
	a, _ := q.d.Current(s.PinV())
	q.pending = append(q.pending, current{s.From, s.To, s.StampErr, a, s.Saturated, q.gap || q.lastTo == 0 || s.From.Sub(q.lastTo) > currentGapMax})
	q.lastTo, q.blind, q.gap = s.To, false, false
}

// loseCurrent voids what is not used yet of the current lead since an instant.
func (e *Engine) loseCurrent(since, at adc.Instant, reason string) {
	q := &e.quiescence
	for n := len(q.pending); n > 0 && q.pending[n-1].to > since; n-- {
		q.pending = q.pending[:n-1]
	}
	q.gap = true
	if !q.blind || reason != q.reason {
		q.blind, q.reason = true, reason
		e.emit(&StateChanged{Lead: q.lead, State: Unknown, At: at, Reason: reason})
	}
}

// begin begins to follow the current, after key-off.
func (q *quiescence) begin(off adc.Instant) {
	if q.lead == NoLead {
		return
	}
	*q = quiescence{lead: q.lead, d: q.d, limitA: q.limitA, pending: q.pending, lastTo: q.lastTo, blind: q.blind, reason: q.reason, gap: q.gap,
		on: true, off: off, used: current{from: off, to: off}, lastHigh: off, out: Quiescent{Lead: q.lead, Off: off, LimitA: q.limitA}}
}

// tidyCurrent uses the samples that have waited long enough.
func (e *Engine) tidyCurrent() {
	q := &e.quiescence
	if q.lead == NoLead {
		return
	}
	if q.lastTo != 0 && !q.blind && e.now.Sub(q.lastTo) > currentGapMax {
		e.loseCurrent(q.lastTo, e.now, "no samples")
	}
	n := 0
	for n < len(q.pending) && e.now.Sub(q.pending[n].to) >= currentHold {
		if r := &q.pending[n]; q.on && r.from >= q.off {
			q.use(e, r)
		}
		n++
	}
	q.pending = q.pending[:copy(q.pending, q.pending[n:])]
}
