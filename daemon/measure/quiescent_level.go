package measure

import (
	"math"
	"time"

	"keyturn/adc"
)

// This file averages and adds up a current in a fixed room, whatever the hours.

// level is the mean of a current over some samples, and their scatter (Welford's
// running sums).
type level struct {
	n             int
	mean, squares float64
	from, to      adc.Instant
	seen          time.Duration // the sum of their windows
}

func (l *level) add(r *current) {
	if l.n == 0 {
		l.from = r.from
	}
	l.n++
	d := r.a - l.mean
	l.mean += d / float64(l.n)
	l.squares += d * (r.a - l.mean)
	l.to = r.to
	l.seen += r.to.Sub(r.from)
}

// u is what the scatter leaves of uncertainty in the mean: s/√n (JCGM 100:2008,
// 4.2.3), where n counts the seconds, for the samples of a blinking lamp do not vary
// independently.
func (l *level) u() float64 {
	if l.n < 2 {
		return 0
	}
	return math.Sqrt(l.squares/float64(l.n-1)) / math.Sqrt(max(1, l.seen.Seconds()))
}

// latestOver is over how long a current is averaged that has not come to rest.
const latestOver = time.Minute

// minute is the latest whole minute of a current, or less while there was none.
type minute struct{ whole, begun level }

func (m *minute) add(r *current, gap bool) {
	if gap || m.begun.n > 0 && r.to.Sub(m.begun.from) > latestOver {
		if !gap {
			m.whole = m.begun
		}
		m.begun = level{}
	}
	m.begun.add(r)
}

func (m *minute) level() level {
	if m.whole.n > 0 {
		return m.whole
	}
	return m.begun
}

// Charge is what a current has carried since key-off.
type Charge struct {
	C, UC float64 // coulombs: A·s, with the standard uncertainty (k = 1)
	// Seen is the time that is counted in C, Unseen what is not: the lead could not be
	// seen. During OverRange the current was beyond the converter's range, and C is
	// less than what flowed.
	Seen, Unseen, OverRange time.Duration
}

// add counts the time from the middle of one sample to that of the next, with the
// current on the straight line between them; the first counts from key-off.
func (c *Charge) add(a, b *current, gap bool) {
	from, to := a.from+(a.to-a.from)/2, b.from+(b.to-b.from)/2
	took := to.Sub(from)
	if gap {
		c.Unseen += took
		return
	}
	mean := (a.a + b.a) / 2
	if a.from == a.to { // key-off itself has no current
		mean = b.a
	}
	c.C += mean * took.Seconds()
	c.Seen += took
	if a.over || b.over {
		c.OverRange += took
	}
}

// u fills the uncertainty: what the lead has in common for all its samples.
func (c *Charge) u(d *adc.Lead) {
	if s := c.Seen.Seconds(); s > 0 {
		c.UC = d.UCurrent(c.C/s) * s
	}
}
