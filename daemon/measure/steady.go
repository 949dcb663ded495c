package measure

import (
	"math"
	"time"

	"keyturn/adc"
)

// This file keeps what each lead read of late, in blocks of a tenth of a second; level.go
// finds in them the volts that it had come to rest at when the key left a position. The key's
// moves are found late, an accessory position up to accessoryMost: so the blocks are kept
// and looked up.

const (
	// steadyBlock is the least length of a block.
	steadyBlock = 90 * time.Millisecond
	// steadyBlocks is how many are kept: longer than accessoryMost.
	steadyBlocks = 360
	// steadyLeast and steadyMost are how long a lead must have been steady, and how much of
	// it is averaged.
	steadyLeast, steadyMost = 400 * time.Millisecond, time.Second
	// swingV is how far the samples of a block may lie apart, agreeV the means of a level's
	// blocks: more, and a person would not read one figure off a meter (common practice, no
	// published source).
	swingV, agreeV = 0.2, 0.02
	// moveGuard is how near a move of the key is not looked at: relays follow it, and what
	// follows the key may be dated before it.
	moveGuard = 60 * time.Millisecond
)

// steadyChunk is how many samples are added to a block at once. Of them every steadyEach-th
// is looked at: it tells as much of what is steady, and Step must stay cheap.
const (
	steadyChunk = declineBlock
	steadyEach  = 4
)

// block is what a lead read in a stretch of time. One that is not steady tells nothing but
// that.
type block struct {
	from, to adc.Instant
	v        float64 // mean
	n        int32
	state    State
	steady   bool
}

// steadiness is the latest blocks of a lead, and the one begun.
type steadiness struct {
	ring            []block
	n               int // blocks there ever were
	begun           block
	sum, least, top float64 // of the one begun
}

func newSteadiness() steadiness { return steadiness{ring: make([]block, steadyBlocks)} }

// back is the k-th latest block, from 1; nil where it is no longer kept.
func (s *steadiness) back(k int) *block {
	if k > s.n || k > steadyBlocks {
		return nil
	}
	return &s.ring[(s.n-k)%steadyBlocks]
}

func (s *steadiness) close(b block) {
	s.ring[s.n%steadyBlocks] = b
	s.n++
	s.begun = block{}
}

// take adds the lead's latest judged samples.
func (s *steadiness) take(l *lead, plain *plainTime) {
	end := l.h.judged
	if end < l.h.first()+steadyChunk {
		return
	}
	from, to := l.h.at(end-steadyChunk).from, l.h.at(end-1).to
	if !plain.holds(from, to) {
		s.begun = block{}
		return
	}
	b := &s.begun
	if b.n == 0 {
		*b = block{from: from, state: l.state, steady: true}
		s.sum, s.least, s.top = 0, math.Inf(1), math.Inf(-1)
	}
	sum, least, top := 0.0, s.least, s.top
	for i := end - steadyChunk; i < end; i += steadyEach {
		v := l.h.at(i).v
		sum += v
		if v < least {
			least = v
		}
		if v > top {
			top = v
		}
	}
	s.sum, s.least, s.top = s.sum+sum, least, top
	b.n += steadyChunk / steadyEach
	b.to = to
	b.steady = b.steady && top-least <= swingV && l.state == b.state && l.state != Unknown && !l.pulse.on
	if to.Sub(b.from) >= steadyBlock {
		b.v = s.sum / float64(b.n)
		s.close(*b)
	}
}

// blind says that nothing was seen since an instant: no level reaches across it.
func (s *steadiness) blind(since adc.Instant) {
	for k := 1; k <= steadyBlocks; k++ {
		b := s.back(k)
		if b == nil || b.to <= since {
			break
		}
		b.steady = false
	}
	s.begun = block{}
	if last := s.back(1); last == nil || last.n > 0 {
		s.close(block{from: since, to: since})
	}
}

// plainTime is when no test load and no bleed resistor is across a slot.
type plainTime struct {
	lines  []string // of the tests
	on     []bool
	busy   bool
	begins adc.Instant // of the present or latest test
	ends   adc.Instant // of the test before
}

// testSettles is how long after a test nothing is looked at: a relay and its bounce, and
// ten time constants of a lead.
const testSettles = 50 * time.Millisecond

func newPlainTime(p *Params) plainTime {
	return plainTime{lines: p.TestLines, on: make([]bool, len(p.TestLines))}
}

// holds reports whether all of a stretch is plain.
func (t *plainTime) holds(from, to adc.Instant) bool {
	return from >= t.ends && (!t.busy || to <= t.begins)
}

// takeLine follows the lines of the tests. What a lead read before a test is the level of
// its stay: afterwards the supply may have to recover.
func (e *Engine) takeLine(at adc.Instant, line adc.Line) {
	t := &e.plain
	was, busy := t.busy, false
	for i, name := range t.lines {
		if name == line.Name {
			t.on[i] = line.On
		}
		busy = busy || t.on[i]
	}
	switch {
	case busy && !was:
		e.cycle.takeLevels(e, at)
		t.begins = at
	case was && !busy:
		t.ends = at.Add(testSettles)
	}
	t.busy = busy
}
