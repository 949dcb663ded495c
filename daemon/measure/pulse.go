package measure

import (
	"time"

	"keyturn/adc"
)

// This file tells pulsing from transitions. The scan sees a lead every few
// milliseconds through its filter; a circuit switched faster than that shows as
// a voltage that turns up and down again and again. What counts is how often r
// turns by more than turnR:
//
//   - many turns in a short while: pulsed (a dimmed lamp, a flutter);
//   - few turns a second, and never a dwell at either rail: pulsed at nearly a
//     multiple of the scan's own rate, so that the samples creep along its curve;
//   - single samples off a steady line: spikes; several of them: the test pulses
//     of a self-testing output.
//
// While a lead is pulsed it counts as live: one transition at the first rise,
// one at the last fall, and nothing in between.

const (
	turnR      = 0.03 // fraction of the reference
	turnsFast  = 9    // turns within fastSpan: pulsed; test pulses at 20 a second make 7
	fastSpan   = 120 * time.Millisecond
	turnsSlow  = 5 // turns within slowSpan without a dwell, mostly off the rails: pulsed
	slowSpan   = 1500 * time.Millisecond
	slowLeast  = 40 // samples before the slow rule may speak
	turnsKept  = 16
	quietAfter = 40 // samples without a turn that end pulsing
	fellQuiet  = 8  // as many, at a low level, tell of the last fall if nothing follows
	dwellLow   = 0.02
	dwellHigh  = 0.96
	dwellMax   = 12 // samples in a row at a rail that are a rest; elsewhere twice as many

	spikeR       = 0.04 // a sample off both its neighbours by this, which agree
	spikesForMin = 3    // spikes within spikeSpan: test pulses
	spikeSpan    = 3 * time.Second
)

// pulseDetector follows the turns of one lead.
type pulseDetector struct {
	on      bool // pulsed now
	started bool
	up      bool    // r is going up since the last turn
	extreme float64 // highest (lowest) r since the last turn
	turns   [turnsKept]turn
	n       int    // turns so far
	samples int    // samples so far
	rails   int    // those of them at a rail
	quiet   int    // samples since the last turn
	taken   uint64 // number of the latest sample taken
	anchor  float64
	dwell   int         // samples in a row at the level of anchor
	dwelt   point       // the last sample that was part of a rest
	leaves  adc.Instant // end of the first sample after it
	left    bool
	lowest  float64 // lowest r since then

	spikes [spikesForMin]adc.Instant
	spikeN int
}

// turn is where r turned, and the samples and those at a rail up to then.
type turn struct {
	at             adc.Instant
	samples, rails int
}

func (d *pulseDetector) reset(r float64) {
	*d = pulseDetector{extreme: r, started: true, taken: d.taken, spikes: d.spikes, spikeN: d.spikeN}
}

// busy reports whether turns are recent enough to matter.
func (d *pulseDetector) busy() bool { return d.on || (d.n > 0 && d.quiet < quietAfter) }

// take notes one sample and reports whether r turned.
func (d *pulseDetector) take(p *point) bool {
	r := p.r
	if !d.started {
		d.started, d.extreme = true, r
	}
	d.rest(p)
	d.lowest = min(d.lowest, r)
	d.quiet++
	switch {
	case d.up && r > d.extreme, !d.up && r < d.extreme:
		d.extreme = r
	case d.up && r < d.extreme-turnR, !d.up && r > d.extreme+turnR:
		d.up, d.extreme, d.quiet = !d.up, r, 0
		d.turns[d.n%turnsKept] = turn{p.from, d.samples, d.rails}
		d.n++
		return true
	}
	return false
}

// skipped notes that the lead was plainly steady up to a sample.
func (d *pulseDetector) skipped(last *point) {
	if !d.started {
		d.started, d.extreme = true, last.r
	}
	d.anchor, d.dwell = last.r, 2*dwellMax
	d.dwelt, d.lowest, d.left = *last, last.r, false
}

// rest notes how long the lead has stood at one level.
func (d *pulseDetector) rest(p *point) {
	r := p.r
	rail := (r < dwellLow && r > -dwellLow) || r > dwellHigh
	d.samples++
	if rail {
		d.rails++
	}
	if abs(r-d.anchor) > turnR/2 {
		d.anchor, d.dwell = r, 0
	}
	if d.dwell++; d.dwell >= 2*dwellMax || (rail && d.dwell >= dwellMax) {
		d.dwelt, d.lowest, d.left = *p, r, false
	} else if !d.left {
		d.left, d.leaves = true, p.to
	}
}

// pulsing reports whether the latest turns are pulsing, and since when.
func (d *pulseDetector) pulsing(now adc.Instant) (since adc.Instant, yes bool) {
	if d.lowest < -dwellLow {
		return 0, false // below earth: noise, not a switched feed
	}
	if d.n >= turnsFast {
		if t := d.turns[(d.n-turnsFast)%turnsKept]; now.Sub(t.at) <= fastSpan {
			return t.at, true
		}
	}
	if d.n >= turnsSlow && d.samples >= slowLeast {
		t := d.turns[(d.n-turnsSlow)%turnsKept]
		off := d.samples - t.samples - (d.rails - t.rails)
		if now.Sub(t.at) <= slowSpan && t.at > d.dwelt.to && 2*off > d.samples-t.samples {
			return t.at, true
		}
	}
	return 0, false
}

// followPulses turns pulsing on and off.
func (e *Engine) followPulses(l *lead, p *point) {
	d := &l.pulse
	if n := l.h.judged; n > d.taken+dwellMax && n > l.h.first() {
		d.skipped(l.h.at(n - 1))
	}
	d.taken = l.h.judged
	turned := d.take(p)
	e.followSpikes(l)
	if !d.on {
		if !turned {
			return
		}
		if since, yes := d.pulsing(p.to); yes {
			e.startPulsing(l, since, p)
		}
		return
	}
	if d.quiet >= quietAfter {
		e.stopPulsing(l, p)
	}
}

// startPulsing makes of all edges since the lead last rested one rise, or none
// if it was live then.
func (e *Engine) startPulsing(l *lead, since adc.Instant, p *point) {
	d := &l.pulse
	if l.blind || l.state == Unknown {
		d.on = true
		l.seen |= SeenPulsed
		e.sawAgain(l, Live, p, p.to)
		return
	}
	e.resolveEdges(l, true)
	rested := d.dwelt.to != 0
	if since = since.Add(-40 * time.Millisecond); rested {
		since = d.dwelt.from
	}
	k := len(l.trans)
	for k > 0 && l.trans[k-1].NotAfter > since {
		k--
	}
	before := l.state
	if k < len(l.trans) {
		before = opposite(l.trans[k].State)
	}
	d.on = true
	l.seen |= SeenPulsed
	if !rested && k < len(l.trans) && before == Dead {
		k++ // what came out of the dark is all that is known of the first rise
	}
	e.withdraw(l, k, "part of pulsing")
	if before == Dead && rested {
		e.file(l, between(l.index, Live, d.dwelt.from, d.leaves, SeenPulsed), p.to)
	}
	if l.state != Live || before == Dead {
		e.emit(&StateChanged{Lead: l.index, State: Live, At: p.to})
	}
	l.state, l.hiRun, l.loRun = Live, 0, 0
}

// stopPulsing ends it: the lead rests high (it stays live) or it has fallen.
func (e *Engine) stopPulsing(l *lead, p *point) {
	l.pulse.reset(p.r)
	if p.r > l.liveAbove {
		return
	}
	// The last fall: from the last sample above the level it rests at now.
	i := l.h.judged
	for i > l.h.first()+1 && abs(l.h.at(i-1).r-p.r) < turnR/2 {
		i--
	}
	a := l.h.at(max(i, 1) - 1)
	b := l.h.at(min(i, l.h.judged))
	if i > l.h.first()+1 {
		a = l.h.at(i - 2)
	}
	e.file(l, between(l.index, Dead, a.from, b.to, SeenPulsed), p.to)
	l.state = Dead
	e.emit(&StateChanged{Lead: l.index, State: Dead, At: p.to})
}

// followSpikes notices a sample off the line of its neighbours.
func (e *Engine) followSpikes(l *lead) {
	n := l.h.judged + 1 // the sample being judged is number judged
	if n < l.h.first()+3 || l.pulse.on {
		return
	}
	a, b, c := l.h.at(n-3), l.h.at(n-2), l.h.at(n-1)
	off := abs(b.r - (a.r+c.r)/2)
	if off < spikeR || abs(a.r-c.r) > off/4 {
		return
	}
	if (l.state == Live && b.r < l.deadBelow) || (l.state == Dead && b.r > l.liveAbove) {
		e.refuse(l.index, "one-sample spike")
		l.seen |= SeenSpikes
	}
	d := &l.pulse
	d.spikes[d.spikeN%spikesForMin] = b.to
	d.spikeN++
	if d.spikeN >= spikesForMin && b.to.Sub(d.spikes[d.spikeN%spikesForMin]) <= spikeSpan {
		l.seen |= SeenTestPulses
	}
}
