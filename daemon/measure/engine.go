package measure

import (
	"time"

	"keyturn/adc"
)

// Engine is the measuring core of one bench. It is not safe for concurrent use.
type Engine struct {
	p          Params
	leads      []lead
	sense      reference
	key        keyTracker
	crank      crankTracker
	cycle      cycleTracker
	quiescence quiescence
	plain      plainTime
	together   [][]int // leads that are read together

	now    adc.Instant // the latest instant any input has told
	tidyAt adc.Instant // when the time-driven work is next due
	events []Event
	faults []fault
}

// tidyEvery is how often, in the time of the inputs, the engine looks for what
// follows from the passing of time alone: silence, settled edges, the end of a
// watch.
const tidyEvery = 20 * time.Millisecond

// New returns an engine that has seen nothing yet. It panics where
// Params.Check would report an error: parameters from outside are to be checked
// first.
func New(p Params) *Engine {
	p = p.WithDefaults()
	if err := p.Check(); err != nil {
		panic("measure: unchecked parameters: " + err.Error())
	}
	e := &Engine{p: p, leads: make([]lead, len(p.Leads))}
	for i := range e.leads {
		e.leads[i] = newLead(i, &p)
	}
	e.sense = newReference(&p)
	e.key = newKeyTracker(&p)
	e.crank = newCrankTracker(&p)
	e.cycle = newCycleTracker(&p)
	e.quiescence = newQuiescence(&p)
	e.plain, e.together = newPlainTime(&p), together(&p)
	return e
}

// Step takes the next input and returns what follows from it. The returned
// slice is valid until the next call; the events in it are never changed again.
// Inputs that cannot be used are refused and counted, see Faulted.
func (e *Engine) Step(in adc.Input) []Event {
	e.events = e.events[:0]
	switch in.Kind {
	case adc.SampleInput:
		e.takeSample(&in.Sample)
	case adc.BlindInput:
		if in.Blind.Lead == e.quiescence.lead && in.Blind.Lead != NoLead {
			e.loseCurrent(in.Blind.Since, in.At, in.Blind.Reason.String())
		} else if in.Blind.Lead >= 0 && in.Blind.Lead < len(e.leads) {
			e.goBlind(in.Blind.Lead, in.Blind.Since, in.At, in.Blind.Reason.String())
			if in.Blind.Lead == e.p.BatterySense {
				e.loseReference(in.Blind.Since, "battery sense lead: "+in.Blind.Reason.String())
			}
		}
	case adc.MarkInput:
		e.takeMark(in.At, in.Mark)
	case adc.LineInput:
		e.takeLine(in.At, in.Line)
	}
	if in.At > e.now {
		e.now = in.At
	}
	if e.now >= e.tidyAt {
		e.tidy()
	}
	return e.events
}

// Flush returns what is to be said when no more inputs will come: open edges
// are resolved with what there is and an open cycle becomes final, interrupted.
func (e *Engine) Flush() []Event {
	e.events = e.events[:0]
	for i := range e.leads {
		e.resolveEdges(&e.leads[i], true)
	}
	e.crank.finish(e)
	e.sendTransitions(true)
	e.moveKey()
	e.cycle.close(e, Interrupted, e.now)
	e.tellFaults(true)
	return e.events
}

func (e *Engine) emit(ev Event) { e.events = append(e.events, ev) }

// takeSample turns a sample into volts and files it with its lead; the battery
// sense lead's samples set those between them beside the reference.
func (e *Engine) takeSample(s *adc.Sample) {
	if s.Lead < 0 || s.Lead >= len(e.leads) {
		e.refuse(-1, "sample of a lead that does not exist")
		return
	}
	if s.Lead == e.quiescence.lead {
		e.takeCurrent(s)
		return
	}
	l := &e.leads[s.Lead]
	if s.From < l.lastTo || s.To <= s.From {
		e.refuse(s.Lead, "sample out of the order of time")
		return
	}
	if s.FullScaleUV != l.fullScaleUV {
		l.setScale(s)
	}
	l.lastTo = s.To
	p := l.h.push()
	p.from, p.to, p.errNS, p.uNS = s.From, s.To, float32(s.StampErr), float32(s.StampU)
	p.v = float64(s.Code)*l.voltsPerCode + l.offsetV
	switch {
	case e.sense.lead == NoLead:
		e.judge(l, p, e.sense.absolute)
		l.h.judged = l.h.n
		if e.crank.watching(s.Lead) {
			e.crank.take(e, p)
		}
	case s.Lead == e.sense.lead:
		e.takeReference(p)
	}
}

// tidy does what follows from the passing of time alone.
func (e *Engine) tidy() {
	e.tidyAt = e.now.Add(tidyEvery)
	for i := range e.leads {
		l := &e.leads[i]
		if l.lastTo != 0 && !l.blind && e.now.Sub(l.lastTo) > e.p.GapMax {
			e.goBlind(i, l.lastTo, e.now, "no samples")
			if i == e.p.BatterySense {
				e.loseReference(l.lastTo, "battery sense lead: no samples")
			}
		}
		if l.busy {
			e.resolveEdges(l, false)
		}
	}
	e.crank.tidy(e)
	e.sendTransitions(false)
	e.moveKey()
	e.tidyCurrent()
	e.cycle.tidy(e)
	e.tellFaults(false)
}
