package measure

import (
	"time"

	"keyturn/adc"
)

// refusal counts what was refused of one lead for one reason.
type refusal struct {
	lead     int
	reason   string
	count    int // since last reported
	reported adc.Instant
	total    int
}

// refusalEvery is how often at most a repeated refusal is reported.
const refusalEvery = time.Second

// refuse counts something that could not be used.
func (e *Engine) refuse(lead int, reason string) {
	for i := range e.refusals {
		if r := &e.refusals[i]; r.lead == lead && r.reason == reason {
			r.count++
			r.total++
			return
		}
	}
	e.refusals = append(e.refusals, refusal{lead: lead, reason: reason, count: 1, total: 1, reported: -1 << 62})
}

// reportRefusals emits what was refused since the last report.
func (e *Engine) reportRefusals() {
	for i := range e.refusals {
		r := &e.refusals[i]
		if r.count > 0 && e.now.Sub(r.reported) >= refusalEvery {
			e.emit(&Faulted{Lead: r.lead, At: e.now, Reason: r.reason, Count: r.count})
			r.count, r.reported = 0, e.now
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
func (e *Engine) Refusals() []Refusal {
	out := make([]Refusal, len(e.refusals))
	for i, r := range e.refusals {
		out[i] = Refusal{r.lead, r.reason, r.total}
	}
	return out
}

// Refused returns how many samples of a lead were refused since the start, for
// whatever reason; lead -1 stands for samples of no known lead.
func (e *Engine) Refused(lead int) int {
	n := 0
	for _, r := range e.refusals {
		if r.lead == lead {
			n += r.total
		}
	}
	return n
}
