package dashboard

import (
	"math"
	"slices"
	"time"

	"keyturn/protocol"
)

// This file keeps what waveforms say: of each lead the least and greatest voltage of
// every step of the last 30 s. It is for screens. What comes late, twice or too much
// is dropped and counted.

const (
	// stripSpan is how far back a waveform is kept.
	stripSpan = 30 * time.Second
	stripStep = protocol.WaveformStepMS * time.Millisecond
	// stripSteps are the steps kept of a lead, in 8 bytes each: 4.8 kB. 50 benches of
	// 32 leads take 7.7 MB.
	stripSteps = int(stripSpan / stripStep)
	// stripLeadsMax is how many leads of all benches together are kept: 20 MB.
	stripLeadsMax = 4096
	// stripVoltsMax is the most that is taken for a reading: keyturn is for 12 V, and
	// not for 60 V and above.
	stripVoltsMax = 100
)

// extremes are the least and greatest voltage of a step, NaN where none was sampled.
type extremes struct{ low, high float32 }

var noSample = extremes{float32(math.NaN()), float32(math.NaN())}

// strip is the waveform of a bench: a ring of steps that all its leads share.
type strip struct {
	boot   string
	first  uint64 // the first step of this boot
	n      uint64 // number of the next step, never set back; it goes to n % stripSteps
	begins [stripSteps]int64
	leads  map[string]*[stripSteps]extremes
	end    int64         // of the latest step, on the clock of boot
	lag    time.Duration // how old that was when the document was made
	at     time.Time     // when the document arrived
}

// takeWaveform puts a document's steps into the strip of its bench; false if it was
// dropped. Only leads that the bench has described are kept.
func (s *State) takeWaveform(h *heard, w *protocol.Waveform, now time.Time) bool {
	w.Leads = w.Leads[:min(len(w.Leads), leadsMax)]
	steps := 0
	for i := range w.Leads {
		steps = max(steps, len(w.Leads[i].MinV))
	}
	last := w.FromNS + int64(steps)*int64(stripStep)
	if h == nil || h.bench == nil || steps == 0 || steps > stripSteps || w.StepMS != protocol.WaveformStepMS ||
		w.FromNS < 0 || last < w.FromNS || last > w.MonoNS || w.MonoNS-last > int64(stripSpan) {
		return false
	}
	s.dropStrips(now)
	p := s.strips[h.id]
	if p == nil {
		p = &strip{leads: map[string]*[stripSteps]extremes{}}
		s.strips[h.id] = p
	}
	switch back := p.end - w.FromNS; {
	case p.boot != w.Boot || back > int64(stripSpan):
		// Another clock, or one set back. A number is left out, so that a page which has
		// all of the old one's sees that it has none of these.
		p.n++
		p.boot, p.first = w.Boot, p.n
	case back > 0:
		return false // told already
	}
	for i := range w.Leads {
		s.lane(p, h, w.Leads[i].Lead)
	}
	for k := range steps {
		p.add(w, k)
	}
	p.end, p.lag, p.at = last, time.Duration(w.MonoNS-last), now
	return true
}

// lane makes room for a lead, if it is one of the bench and there is some.
func (s *State) lane(p *strip, h *heard, lead string) {
	if p.leads[lead] != nil || len(p.leads) >= leadsMax || s.stripLeads >= stripLeadsMax ||
		!slices.ContainsFunc(h.bench.Leads, func(l protocol.BenchLead) bool { return l.Lead == lead }) {
		return
	}
	lane := new([stripSteps]extremes)
	for i := range lane {
		lane[i] = noSample
	}
	p.leads[lead] = lane
	s.stripLeads++
}

// add takes the step k of a document.
func (p *strip) add(w *protocol.Waveform, k int) {
	i := p.n % uint64(stripSteps)
	p.begins[i] = w.FromNS + int64(k)*int64(stripStep)
	for _, lane := range p.leads { // each by itself
		lane[i] = noSample
	}
	for _, l := range w.Leads {
		lane := p.leads[l.Lead]
		if lane == nil || k >= len(l.MinV) || k >= len(l.MaxV) || l.MinV[k] == nil || l.MaxV[k] == nil {
			continue
		}
		low, high := float64(*l.MinV[k]), float64(*l.MaxV[k])
		if low <= high && low >= -stripVoltsMax && high <= stripVoltsMax {
			lane[i] = extremes{float32(low), float32(high)}
		}
	}
	p.n++
}

// dropStrips forgets what is too old to be shown, so that benches that went away take
// no room.
func (s *State) dropStrips(now time.Time) {
	if now.Sub(s.stripsSwept) < stripSpan {
		return
	}
	s.stripsSwept = now
	for id, p := range s.strips { // each by itself
		if now.Sub(p.at) > stripSpan {
			s.stripLeads -= len(p.leads)
			delete(s.strips, id)
		}
	}
}

// wave is the waveform of some leads of a bench, copied.
type wave struct {
	n      uint64 // number of the step after the last here
	begins []int64
	leads  [][]extremes // as asked for; NaN throughout for a lead that is not known
	end    int64        // of the latest step
	age    time.Duration
}

// wave returns what is kept of some leads of a bench and is not too old; without
// steps if there is none.
func (s *State) wave(bench string, leads []string, now time.Time) wave {
	s.mu.Lock()
	defer s.mu.Unlock()
	w := wave{leads: make([][]extremes, len(leads))}
	p := s.strips[bench]
	if p == nil || now.Sub(p.at) > stripSpan {
		return w
	}
	w.n, w.end, w.age = p.n, p.end, p.lag+now.Sub(p.at)
	from := max(p.first, p.n-min(p.n, uint64(stripSteps)))
	for from < p.n && p.end-p.begins[from%uint64(stripSteps)] > int64(stripSpan) {
		from++ // before a gap
	}
	for n := from; n < p.n; n++ {
		i := n % uint64(stripSteps)
		w.begins = append(w.begins, p.begins[i])
		for k, lead := range leads {
			x := noSample
			if lane := p.leads[lead]; lane != nil {
				x = lane[i]
			}
			w.leads[k] = append(w.leads[k], x)
		}
	}
	return w
}
