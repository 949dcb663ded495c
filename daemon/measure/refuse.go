package measure

import (
	"time"

	"keyturn/adc"
)

// This file counts what is wrong with a lead, and tells it without flooding
// whoever listens: the first of a kind at once, the rest by their number.

// fault counts what was wrong with one lead for one reason.
type fault struct {
	lead    int
	reason  string
	count   int // since last told
	refused int // samples, of all
	told    adc.Instant
}

// faultEvery is how often at most a fault that goes on is told.
const faultEvery = 10 * time.Second

// refuse counts a sample that could not be used.
func (e *Engine) refuse(lead int, reason string) { e.fault(lead, reason).refused++ }

// fault counts a fault of a lead, or with -1 of the bench.
func (e *Engine) fault(lead int, reason string) *fault {
	for i := range e.faults {
		if f := &e.faults[i]; f.lead == lead && f.reason == reason {
			f.count++
			return f
		}
	}
	e.faults = append(e.faults, fault{lead: lead, reason: reason, count: 1, told: e.now.Add(-faultEvery)})
	return &e.faults[len(e.faults)-1]
}

// tellFaults emits the faults since each was last told, if that is long enough
// ago; all of them when no more inputs will come.
func (e *Engine) tellFaults(all bool) {
	for i := range e.faults {
		f := &e.faults[i]
		if f.count > 0 && (all || e.now.Sub(f.told) >= faultEvery) {
			e.emit(&Faulted{Lead: f.lead, At: e.now, Reason: f.reason, Count: f.count})
			f.count, f.told = 0, e.now
		}
	}
}

// Refusal says how many samples of a lead were refused for a reason since the start.
type Refusal struct {
	Lead   int // -1: of no known lead
	Reason string
	Total  int
}

// Refusals returns every refusal there was, in the order of first appearance.
func (e *Engine) Refusals() (out []Refusal) {
	for _, f := range e.faults {
		if f.refused > 0 {
			out = append(out, Refusal{f.lead, f.reason, f.refused})
		}
	}
	return out
}

// Refused returns how many samples of a lead were refused since the start, for
// whatever reason; lead -1 stands for samples of no known lead.
func (e *Engine) Refused(lead int) int {
	n := 0
	for _, f := range e.faults {
		if f.lead == lead {
			n += f.refused
		}
	}
	return n
}
