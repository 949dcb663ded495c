package measure

import (
	"time"

	"keyturn/adc"
)

// This file sets every sample beside the battery sense lead of the same moment:
// the sense lead's samples before and after it, interpolated to the middle of
// the sample's own window. Until the later one is in, nothing is judged.
//
// A sense lead that has lost its contact reads less than the circuits it feeds;
// then nothing can be judged until it is back.

// reference follows the battery sense lead.
type reference struct {
	lead     int
	absolute float64 // the reference where there is no sense lead
	have     bool    // last is valid
	last     point
	lost     bool
	back     int  // plausible samples in a row while lost
	high     bool // a lead stood above highR since the sense lead's last sample
}

const (
	// senseFloorV is the least voltage that can be a supply: below it nothing
	// can be judged. A cranking battery at its worst stays above: ISO 16750-2
	// level III dips to 2.8 V.
	senseFloorV = 2.0
	// senseExceeded is the ratio to the sense lead above which a live lead
	// cannot stand unless the sense lead is off: between two sense samples the
	// chord and a falling battery differ by less.
	senseExceeded = 1.5
	// highR is the ratio from which it is worth a look, senseFell the fall of the
	// sense lead itself from one sample to the next.
	highR, senseFell = 1.1, 0.95
	// senseBack is how many plausible samples in a row bring a lost sense lead
	// back.
	senseBack = 2
	// senseFresh is how old another lead's sample may be to be held against it.
	senseFresh = 50 * time.Millisecond
)

func newReference(p *Params) reference {
	return reference{lead: p.BatterySense, absolute: p.LiveAboveV / p.LiveAbove}
}

// takeReference takes a new sample of the sense lead and judges all that was
// waiting for it.
func (e *Engine) takeReference(p *point) {
	s := &e.sense
	l := &e.leads[s.lead]
	if s.lost {
		e.findReference(p)
		return
	}
	look := s.have && (s.high || p.v < senseFell*s.last.v)
	s.high = false
	if p.v < senseFloorV || (look && e.exceeded(p)) {
		since := p.from
		if s.have {
			since = s.last.to
		}
		e.loseReference(since, "battery sense lead reads less than the circuits: lead off?")
		return
	}
	if s.have {
		e.judgeBetween(&s.last, p)
	}
	e.judge(l, p, p.v)
	l.h.judged = l.h.n
	s.last, s.have = *p, true
	e.crank.take(e, p)
}

// judgeBetween judges the waiting samples of every lead up to the middle of b.
func (e *Engine) judgeBetween(a, b *point) {
	aMid, bMid := a.mid(), b.mid()
	slope := (b.v - a.v) / float64(bMid-aMid)
	for i := range e.leads {
		l := &e.leads[i]
		for l.h.judged < l.h.n && i != e.sense.lead {
			p := l.h.at(l.h.judged)
			m := p.mid()
			if m > bMid {
				break
			}
			if m >= aMid {
				e.judge(l, p, a.v+slope*float64(m-aMid))
			} else if ref, ok := e.earlierReference(m); ok {
				e.judge(l, p, ref)
			} else {
				e.refuse(i, "no battery voltage for its moment")
			}
			l.h.judged++
		}
	}
}

// earlierReference is the reference of a moment before the last two samples of
// the sense lead, for a sample that came late out of the merge.
func (e *Engine) earlierReference(m adc.Instant) (float64, bool) {
	h := &e.leads[e.sense.lead].h
	for j := h.judged; j > h.first()+1; j-- {
		a, b := h.at(j-2), h.at(j-1)
		if aMid, bMid := a.mid(), b.mid(); aMid <= m && m <= bMid {
			return a.v + (b.v-a.v)*float64(m-aMid)/float64(bMid-aMid), true
		}
	}
	return 0, false
}

// exceeded reports whether the circuits stand above what the sense lead says:
// a live one far above it, and none where it should be.
func (e *Engine) exceeded(b *point) bool {
	a := &e.sense.last
	aMid, bMid := a.mid(), b.mid()
	over, normal := 0, 0
	for i := range e.leads {
		l := &e.leads[i]
		if i == e.sense.lead || l.state != Live {
			continue
		}
		for j := max(l.h.judged, l.h.first()); j < l.h.n; j++ {
			p := l.h.at(j)
			part := float64(p.mid()-aMid) / float64(bMid-aMid)
			if part < 0.3 || part > 1 {
				continue // too near the last good sample to tell
			}
			switch r := p.v / (a.v + (b.v-a.v)*part); {
			case r > senseExceeded:
				over++
			case r > l.liveAbove:
				normal++
			}
		}
	}
	return over > normal
}

// loseReference makes every judged lead unknown since the last moment the
// sense lead was to be trusted.
func (e *Engine) loseReference(since adc.Instant, reason string) {
	s := &e.sense
	if s.lead == NoLead || s.lost {
		return
	}
	s.lost, s.back, s.have = true, 0, false
	for i := range e.leads {
		if l := &e.leads[i]; !l.blind && l.lastTo != 0 {
			e.goBlind(i, since, e.now, reason)
		}
	}
	e.fault(s.lead, reason)
	e.crank.interrupt(e, reason)
}

// findReference looks whether a lost sense lead is back.
func (e *Engine) findReference(p *point) {
	s := &e.sense
	over, normal := 0, 0
	for i := range e.leads {
		l := &e.leads[i]
		if i == s.lead || l.h.n == l.h.first() || p.from.Sub(l.lastTo) > senseFresh {
			continue
		}
		switch v := l.h.at(l.h.n - 1).v; {
		case v > 1.25*p.v:
			over++
		case v > l.liveAbove*p.v:
			normal++
		}
	}
	plausible := p.v >= senseFloorV && over <= normal
	steady := s.have && p.v < 1.05*s.last.v && p.v > 0.95*s.last.v
	s.last, s.have = *p, true
	if !plausible {
		s.back = 0
		return
	}
	if s.back == 0 || steady {
		s.back++
	} else {
		s.back = 1
	}
	if s.back < senseBack {
		return
	}
	s.lost = false
	for i := range e.leads {
		l := &e.leads[i]
		l.h.clear()
		if i != s.lead {
			continue
		}
		q := l.h.push()
		*q = *p
		e.judge(l, q, p.v)
		l.h.judged = l.h.n
	}
}
