package measure

import (
	"slices"
	"time"

	"keyturn/adc"
)

// This file finds the starts of the engine in the battery's voltage and keeps
// the samples of every live lead through each of them; sag.go makes the figures.
//
// A start falls far at once (the starter's inrush) and stays down. A heavy load
// falls less; a dip that is over at once is none. Where a lead on terminal 50
// tells of the start, only that counts.

const (
	sagV      = 0.5  // below the level before by this: something draws
	crankDipV = 1.35 // a fall at least this deep is a starter's
	// crankBelowV is a voltage that a 12 V battery is below while it cranks: 12.6 V
	// less 150 A through 3 mΩ.
	crankBelowV = 12.2
	crankLeast  = 300 * time.Millisecond // shorter is no start
	crankMost   = 30 * time.Second       // longer is not followed further
	recoverMax  = 1500 * time.Millisecond
	// recoveredPart of the level before is a recovered lead.
	recoveredPart = 0.95
	// crankPointsMax bounds the samples kept of one lead in one start: 30 s at a
	// 6 ms interval.
	crankPointsMax = 8192
	// baselineTau smooths the level before a sag.
	baselineTau = 150 * time.Millisecond
	// inrushFor is the part of a start before its plateau.
	inrushFor = 100 * time.Millisecond
)

// crankTracker follows the battery through starts.
type crankTracker struct {
	battery int // the lead whose fall tells of a start
	start   int // lead on terminal 50
	base    float64
	last    adc.Instant

	active   bool // the battery is in a sag
	crank    bool // which is a start
	ended    bool
	onset    adc.Instant // last sample before the fall
	fell     adc.Instant // end of the first sample in it
	ends     adc.Instant
	endsU    time.Duration
	before   float64
	lowest   float64
	records  [][]point // per lead; nil where none is kept
	missed   []bool    // per lead: live when last seen, but blind as the battery fell
	unproven string    // why this start cannot be measured
	count    int
}

func newCrankTracker(p *Params) crankTracker {
	c := crankTracker{battery: p.BatterySense, start: p.Key.Start, records: make([][]point, len(p.Leads)), missed: make([]bool, len(p.Leads))}
	if c.battery == NoLead && len(p.Leads) == 1 && !p.Leads[0].IsCurrent() {
		c.battery = 0
	}
	return c
}

// watching reports whether the lead is the one whose fall tells of a start.
func (c *crankTracker) watching(lead int) bool { return lead == c.battery }

// take follows the battery's level sample by sample.
func (c *crankTracker) take(e *Engine, p *point) {
	dt := p.mid().Sub(c.last)
	previous := c.last
	c.last = p.mid()
	if dt > e.p.GapMax && c.base != 0 {
		c.interrupt(e, "samples are missing")
	}
	if c.base == 0 {
		c.base = p.v
		return
	}
	if !c.active {
		if p.v < c.base-sagV {
			c.begin(e, p, previous)
			return
		}
		c.base += (p.v - c.base) * min(1, float64(dt)/float64(baselineTau))
		return
	}
	c.lowest = min(c.lowest, p.v)
}

// begin starts to keep samples: this may be a start.
func (c *crankTracker) begin(e *Engine, p *point, previous adc.Instant) {
	c.active, c.crank, c.ended, c.unproven = true, false, false, ""
	c.onset, c.fell, c.before, c.lowest = previous, p.to, c.base, p.v
	for i := range e.leads {
		l := &e.leads[i]
		c.records[i] = nil
		c.missed[i] = l.blind && l.blindBefore == Live
		if i == c.battery || l.state == Live {
			c.records[i] = l.h.copyTo(make([]point, 0, 4*historyLen), l.h.first(), l.h.judged)
			l.recording, l.busy = true, true
		}
	}
}

// keep files a judged sample of a lead being recorded.
func (c *crankTracker) keep(lead int, p *point) {
	r := c.records[lead]
	if n := len(r); n > 0 && n < crankPointsMax && p.from >= r[n-1].to {
		c.records[lead] = append(r, *p)
	}
}

// tidy decides, as time passes, whether a sag is a start and when it is over.
func (c *crankTracker) tidy(e *Engine) {
	if !c.active {
		return
	}
	if !c.crank {
		c.decide(e)
		return
	}
	if !c.ended {
		c.lookForEnd(e)
		return
	}
	// Once the battery is back the figures are complete; the next start may come.
	back := above(c.records[c.battery], recoveredPart*c.before)
	if (back != 0 && c.last.Sub(back) > baselineTau) || e.now.Sub(c.ends) > recoverMax {
		c.finish(e)
	}
}

// decide tells a start from a heavy load once there is enough of it.
func (c *crankTracker) decide(e *Engine) {
	pts := c.records[c.battery]
	last := pts[len(pts)-1]
	over := last.v > c.before-sagV
	lasted := last.mid().Sub(c.onset)
	told := c.start != NoLead && e.leads[c.start].state == Live
	switch {
	case c.start != NoLead && !told:
		if lasted < crankLeast && !over {
			return
		}
		c.drop(e, last.v) // a heavy load: terminal 50 is dead
	case c.before-c.lowest >= crankDipV && c.lowest < crankBelowV && lasted >= crankLeast && !over, told && lasted >= crankLeast:
		c.crank = true
		c.count++
		if c.start == NoLead {
			nb, na := c.began()
			e.key.restV = c.before
			e.key.change(keyChange{onTerminal50, true, nb + (na-nb)/2, uniform(na.Sub(nb)), adc.SourceInferred})
		}
		e.key.restV = c.before
	case over || lasted >= crankLeast:
		c.drop(e, last.v)
	}
}

// began is the bracket of the battery's fall.
func (c *crankTracker) began() (notBefore, notAfter adc.Instant) {
	return fallBracket(c.records[c.battery], c.onset, c.before, c.lowest)
}

// drop forgets a sag that is no start.
func (c *crankTracker) drop(e *Engine, level float64) {
	c.active, c.base = false, level
	for i := range c.records {
		c.records[i], e.leads[i].recording = nil, false
	}
}

// lookForEnd finds the end of cranking: the battery comes back most of the way
// and stays there for longer than a compression stroke.
func (c *crankTracker) lookForEnd(e *Engine) {
	pts := c.records[c.battery]
	plateau, ok := plateauV(pts, c.fell.Add(inrushFor), e.now)
	if !ok {
		return
	}
	sag := c.before - plateau
	last := pts[len(pts)-1].to
	high := above(pts, c.before-0.3*sag)
	halfway := above(pts, c.before-0.6*sag)
	switch {
	case high != 0 && last.Sub(high) >= 80*time.Millisecond:
	case halfway != 0 && last.Sub(halfway) >= 700*time.Millisecond:
		high = halfway
	case last.Sub(c.onset) > crankMost || e.now.Sub(last) > time.Second:
		high = last
	default:
		return
	}
	c.ended = true
	level := plateau + 0.2*sag
	i := len(pts) - 1
	for i > 0 && (pts[i].from > high || pts[i].v > level) && pts[i].from > c.fell {
		i--
	}
	c.ends = pts[i].mid()
	c.endsU = uniform(pts[min(i+1, len(pts)-1)].to.Sub(pts[i].from))
	if c.start == NoLead {
		e.key.change(keyChange{onTerminal50, false, c.ends, c.endsU, adc.SourceInferred})
	}
}

// above returns since when the last samples all stand above a level; 0 if the
// very last does not.
func above(pts []point, level float64) adc.Instant {
	var since adc.Instant
	for i := len(pts) - 1; i >= 0 && pts[i].v > level; i-- {
		since = pts[i].from
	}
	return since
}

// plateauV is the median voltage from a moment up to another.
func plateauV(pts []point, from, to adc.Instant) (float64, bool) {
	var vs []float64
	for i := range pts {
		if pts[i].from >= from && pts[i].to <= to {
			vs = append(vs, pts[i].v)
		}
	}
	if len(vs) == 0 {
		return 0, false
	}
	slices.Sort(vs)
	return vs[len(vs)/2], true
}

// interrupt says that the start in progress can be measured no further.
func (c *crankTracker) interrupt(e *Engine, why string) {
	if !c.active {
		c.base = 0
		return
	}
	c.unproven = why
	if c.crank {
		if !c.ended {
			c.ended, c.ends = true, c.last
			if c.start == NoLead {
				e.key.change(keyChange{onTerminal50, false, c.last, crankLeast, adc.SourceInferred})
			}
		}
		c.finish(e)
	} else {
		c.drop(e, 0)
	}
	c.base = 0
}

// finish makes the figures of a start and forgets its samples.
func (c *crankTracker) finish(e *Engine) {
	if !c.active || !c.crank {
		return
	}
	if !c.ended {
		c.ends = c.last
	}
	start := span{c.onset, c.ends}
	for i := range c.records {
		pts := c.records[i]
		l := &e.leads[i]
		if pts == nil && !c.missed[i] || (i != c.battery && l.diedBetween(c.onset.Add(-50*time.Millisecond), c.ends)) {
			continue
		}
		k := Crank{Lead: i, Ends: c.ends, Recovered: -1}
		if c.missed[i] {
			k.BeginsNotBefore, k.BeginsNotAfter = c.began()
		} else {
			k = l.measureSag(pts, start, e.p.BelowV)
		}
		if i == c.battery {
			// The strokes are the engine's; its cables show them to every lead.
			k.Ripple, k.HasRipple = l.plateauRipple(pts, span{c.fell.Add(inrushFor), c.ends})
		}
		k.ID = transitionID(l.name+"-start", c.onset)
		if c.unproven != "" {
			k.NotMeasured = c.unproven
		} else if l.seen&SeenPulsed != 0 {
			k.NotMeasured = "the lead is pulsed"
		} else if c.missed[i] || l.lostSince(c.onset) || samplesMissing(pts, start) {
			k.NotMeasured = "the lead could not be seen all through the start"
		}
		e.emit(&k)
		e.cycle.cranks[i] = append(e.cycle.cranks[i], k)
		e.cycle.keepWave(&k, pts, start)
		e.cycle.changed = true
	}
	pts := c.records[c.battery]
	c.drop(e, pts[len(pts)-1].v)
}

// missingMost is how many intervals of a lead may pass between two of its samples
// in a start: two samples in a row missing.
const missingMost = 3

// samplesMissing reports whether more than that are missing of a start: too few to
// make the lead blind, but a dip may lie between them.
func samplesMissing(pts []point, start span) bool {
	var apart []time.Duration
	longest := time.Duration(0)
	for i := 1; i < len(pts); i++ {
		apart = append(apart, pts[i].from.Sub(pts[i-1].from))
		if pts[i].from > start.from && pts[i-1].to < start.to {
			longest = max(longest, pts[i].from.Sub(pts[i-1].to))
		}
	}
	if len(apart) == 0 {
		return true
	}
	slices.Sort(apart)
	return longest > missingMost*apart[len(apart)/2]
}

// diedBetween reports whether the lead went dead within a time.
func (l *lead) diedBetween(from, to adc.Instant) bool {
	for _, t := range l.trans {
		if t.State == Dead && t.At >= from && t.At <= to {
			return true
		}
	}
	return l.state == Dead && len(l.edges) > 0
}
