package measure

import (
	"time"

	"keyturn/adc"
)

// historyLen is how many of a lead's latest samples are kept: a power of two,
// 0.4 s at a 6 ms interval, enough to see both sides of any edge when it is
// resolved.
const historyLen = 64

// point is one sample of a lead in volts, beside the reference of its moment.
type point struct {
	from, to   adc.Instant
	v          float64 // volts on the lead
	ref        float64 // reference volts of the same moment; valid once judged
	r          float64 // v over ref; valid once judged
	errNS, uNS float32 // of the window's stamps: bound, standard uncertainty of the middle
}

func (p *point) stampErr() time.Duration { return time.Duration(p.errNS) }

func (p *point) mid() adc.Instant { return p.from + (p.to-p.from)/2 }

// history is the ring of a lead's latest samples. Samples are numbered from 0
// for ever: those in [first, n) can be had, those below judged have been set
// beside the reference.
type history struct {
	base, n, judged uint64
	ring            [historyLen]point
}

func (h *history) at(i uint64) *point { return &h.ring[i%historyLen] }

// push makes room for one more sample and returns it.
func (h *history) push() *point {
	p := h.at(h.n)
	h.n++
	if h.n-h.judged > historyLen {
		h.judged = h.n - historyLen
	}
	return p
}

// first returns the number of the oldest sample that can still be had.
func (h *history) first() uint64 {
	if h.n-h.base < historyLen {
		return h.base
	}
	return h.n - historyLen
}

// clear forgets every sample, but not their numbering.
func (h *history) clear() { h.base, h.judged = h.n, h.n }

// cut forgets every sample whose window ends after t.
func (h *history) cut(t adc.Instant) {
	for h.n > h.first() && h.at(h.n-1).to > t {
		h.n--
	}
	h.judged = min(h.judged, h.n)
}

// copyTo appends the judged samples numbered from i up to but not including
// end, as far as they can still be had.
func (h *history) copyTo(dst []point, i, end uint64) []point {
	for i = max(i, h.first()); i < min(end, h.judged); i++ {
		dst = append(dst, *h.at(i))
	}
	return dst
}
