package daemon

import (
	"math"
	"time"

	"keyturn/adc"
	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// This file keeps the state of the moment: what "now" and "waveform" say, and
// the sample intervals achieved. Like the translator it knows only the time of
// the inputs.

const (
	nowLeast     = 500 * time.Millisecond // between two now documents
	nowMost      = 10 * time.Second
	nowMovedV    = 0.1 // volts that are worth a new one
	waveformStep = protocol.WaveformStepMS * time.Millisecond
	// waveformSteps is how many steps go into one waveform document.
	waveformSteps = 5
	// intervalsFirst and intervalsEvery are when the bench document is renewed
	// with the intervals achieved.
	intervalsFirst = 5 * time.Second
	intervalsEvery = time.Minute
)

// moment is the state of the bench as the inputs have it.
type moment struct {
	t       *translator
	states  []measure.State // per lead
	reasons []string
	volts   []float64 // per lead, NaN while unknown
	noiseV  []float64 // of the latest sample, at the pin
	stepV   []float64
	key     *protocol.KeyMove
	cycle   string
	notes   int // in the cycle
	// refusing says why key cycles are not taken; empty while they are.
	refusing string

	told      []float64 // volts of the latest now document
	changed   bool
	toldAt    adc.Instant
	wave      []strip
	waveFrom  adc.Instant
	last      []adc.Instant // per lead: end of the latest sample
	sum       []time.Duration
	count     []int64
	longest   []time.Duration
	intervals adc.Instant // when the intervals are next due
}

// strip is one lead's least and greatest voltage per step.
type strip struct{ low, high [waveformSteps]float64 }

func newMoment(t *translator) *moment {
	n := len(t.p.Leads)
	m := &moment{t: t, states: make([]measure.State, n), reasons: make([]string, n), volts: make([]float64, n), noiseV: make([]float64, n), stepV: make([]float64, n), told: make([]float64, n),
		wave: make([]strip, n), last: make([]adc.Instant, n), sum: make([]time.Duration, n), count: make([]int64, n), longest: make([]time.Duration, n)}
	for i := range m.volts {
		m.volts[i], m.told[i] = math.NaN(), math.NaN()
	}
	m.clearWave()
	return m
}

func (m *moment) clearWave() {
	for i := range m.wave {
		for k := range waveformSteps {
			m.wave[i].low[k], m.wave[i].high[k] = math.Inf(1), math.Inf(-1)
		}
	}
}

// sample notes a sample's volts and interval.
func (m *moment) sample(s *adc.Sample) {
	if s.Lead < 0 || s.Lead >= len(m.volts) {
		return
	}
	cal := &m.t.p.Leads[s.Lead].Calibration
	v := cal.LeadV(s.PinV())
	m.volts[s.Lead], m.noiseV[s.Lead], m.stepV[s.Lead] = v, float64(s.NoiseV), s.StepV()
	if m.isCurrent(s.Lead) {
		m.reasons[s.Lead] = ""
	} else if d := math.Abs(v - m.told[s.Lead]); d > nowMovedV || math.IsNaN(d) {
		m.changed = true
	}
	if m.waveFrom == 0 {
		m.waveFrom = s.To
	}
	if k := int(s.To.Sub(m.waveFrom) / waveformStep); k >= 0 && k < waveformSteps {
		w := &m.wave[s.Lead]
		w.low[k], w.high[k] = min(w.low[k], v), max(w.high[k], v)
	}
	if last := m.last[s.Lead]; last != 0 {
		d := s.To.Sub(last)
		m.sum[s.Lead] += d
		m.count[s.Lead]++
		m.longest[s.Lead] = max(m.longest[s.Lead], d)
	}
	m.last[s.Lead] = s.To
}

// event notes what an event changes.
func (m *moment) event(ev measure.Event) {
	switch e := ev.(type) {
	case *measure.StateChanged:
		m.states[e.Lead], m.reasons[e.Lead], m.changed = e.State, e.Reason, true
		if e.State == measure.Unknown {
			m.volts[e.Lead], m.last[e.Lead] = math.NaN(), 0
		}
	case *measure.KeyMoved:
		k := keyMove(*e)
		m.key, m.changed = &k, true
	case *measure.Cycle:
		m.cycle = protocol.CycleID(m.t.boot, int64(e.Begin))
		m.notes = len(e.Notes)
		if e.Final {
			m.cycle = ""
		}
		m.changed = true
	}
}

// nowDue reports whether a now document is to be sent.
func (m *moment) nowDue(at adc.Instant) bool {
	since := at.Sub(m.toldAt)
	return m.toldAt == 0 || since >= nowMost || (m.changed && since >= nowLeast)
}

// now makes the document.
func (m *moment) now(at adc.Instant, as protocol.AsOf) *protocol.Now {
	m.toldAt, m.changed = at, false
	d := &protocol.Now{Header: m.t.header(at), AsOf: as, Cycle: protocol.OrNull(m.cycle), Key: m.key, Refusing: protocol.OrNull(m.refusing)}
	for _, s := range m.t.p.Slots {
		state, reason := m.slot(s)
		d.Slots = append(d.Slots, protocol.NowSlot{Slot: s.Name, Legend: protocol.OrNull(s.Legend),
			State: protocol.State(state.String()), Reason: protocol.OrNull(reason)})
	}
	for i := range m.t.p.Leads {
		if m.isCurrent(i) {
			d.Leads = append(d.Leads, m.current(i))
			continue
		}
		l := protocol.NowLead{Lead: m.t.lead(i)}
		if v := m.volts[i]; !math.IsNaN(v) {
			x, u := protocol.Volts(v), protocol.Volts(m.uncertainty(i, v))
			l.V, l.UV = &x, &u
			m.told[i] = v
		}
		d.Leads = append(d.Leads, l)
	}
	return d
}

// uncertainty is the standard uncertainty of a lead's latest voltage: calibration,
// noise, one code.
func (m *moment) uncertainty(lead int, v float64) float64 {
	return math.Hypot(m.t.p.Leads[lead].Calibration.U(v), m.noise(lead))
}

// noise is what the latest sample's noise and its code leave of uncertainty.
func (m *moment) noise(lead int) float64 {
	return m.t.p.Leads[lead].Calibration.Gain * math.Hypot(m.noiseV[lead], m.stepV[lead]/math.Sqrt(12))
}

// slot is live while any of its leads is, unknown while none is live and one is
// unknown.
func (m *moment) slot(s measure.Slot) (measure.State, string) {
	state, reason := measure.Dead, ""
	for _, l := range s.Leads {
		switch m.states[l.Lead] {
		case measure.Live:
			return measure.Live, ""
		case measure.Unknown:
			state, reason = measure.Unknown, m.reasons[l.Lead]
		}
	}
	return state, reason
}

// waveform makes the document of the steps that are over, nil if they are not.
func (m *moment) waveform(at adc.Instant, as protocol.AsOf) *protocol.Waveform {
	if m.waveFrom == 0 || at.Sub(m.waveFrom) < waveformSteps*waveformStep {
		return nil
	}
	d := &protocol.Waveform{Header: m.t.header(at), AsOf: as, FromNS: int64(m.waveFrom), StepMS: protocol.WaveformStepMS}
	for i := range m.wave {
		if m.isCurrent(i) {
			continue
		}
		l := protocol.WaveformLead{Lead: m.t.lead(i)}
		for k := range waveformSteps {
			l.MinV, l.MaxV = append(l.MinV, finite(m.wave[i].low[k])), append(l.MaxV, finite(m.wave[i].high[k]))
		}
		d.Leads = append(d.Leads, l)
	}
	m.waveFrom = m.waveFrom.Add(waveformSteps * waveformStep)
	if at.Sub(m.waveFrom) > waveformSteps*waveformStep {
		m.waveFrom = at // a gap: begin anew
	}
	m.clearWave()
	return d
}

func finite(v float64) *protocol.Volts {
	if math.IsInf(v, 0) {
		return nil
	}
	x := protocol.Volts(v)
	return &x
}

// intervalsDue reports whether the achieved intervals are to be published again.
func (m *moment) intervalsDue(at adc.Instant) bool {
	if m.intervals == 0 {
		m.intervals = at.Add(intervalsFirst)
	}
	if at < m.intervals {
		return false
	}
	m.intervals = at.Add(intervalsEvery)
	return true
}

// fillIntervals writes the achieved intervals into a description.
func (m *moment) fillIntervals(d *protocol.Description) {
	for i := range d.Leads {
		if m.count[i] == 0 {
			continue
		}
		mean, longest := protocol.MicrosOf(m.sum[i]/time.Duration(m.count[i])), protocol.MicrosOf(m.longest[i])
		d.Leads[i].IntervalMeanUS, d.Leads[i].IntervalLongestUS = &mean, &longest
	}
}
