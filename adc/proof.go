package adc

import (
	"errors"
	"time"
)

// This file proves that a chip keeps to its data sheet. Two polls in a row, the
// second just early enough, show that the reads since the last proof did not
// come too early; a signature in the registers shows that the supply held.

const (
	// verifyEvery is how often each chip is verified at least.
	verifyEvery = 90 * time.Millisecond
	// reserve is how long before a poll that is to prove something the bus is
	// kept free for it: about one read and start. After promptAfter the poll
	// comes as it can.
	reserve      = 330 * time.Microsecond
	promptAfter  = 30 * time.Millisecond
	promptWithin = 5 * time.Microsecond
	// proofTries is how many polls in a row may prove nothing; the next idle one
	// is taken as it is. On a host that jitters so much the reads come late, too.
	proofTries = 40
	// marginStep is by how much the reads of a chip are put off when a poll found
	// it busy, though within its data sheet: the poll was too early to prove
	// anything. A proof takes marginBack of it away again.
	marginStep = 25 * time.Microsecond
	marginBack = 1 * time.Microsecond
	marginMost = 400 * time.Microsecond
	// tookStep is by how much the estimate of what a poll takes follows its
	// median.
	tookStep = 4 * time.Microsecond
)

// readAt is when a read may begin: its result is taken ReadLead later.
func (c *scanned) readAt() Instant { return c.over.Add(c.margin - c.plan.ReadLead) }

// pollAt is when a poll is to begin to be just early enough to prove the reads.
func (c *scanned) pollAt() Instant {
	return c.over.Add(c.margin - (c.took - c.plan.PollTail) - promptWithin)
}

// poll polls the chip. An idle chip proves nothing by itself: a slow one ignores
// every other start and is idle after the next. It proves the reads since the
// last proof if it was idle, too, when this conversion was started, and if none
// of those reads came earlier after its start than this poll; and if after the
// read the chip still bears its signature.
func (s *Scanner) poll(c *scanned, now Instant) (proves, idle bool, err error) {
	if err := c.plan.Chip.Poll(); errors.Is(err, ErrLate) && now < c.over {
		// Still within its data sheet: the poll came too early for this chip.
		c.margin = min(c.margin+marginStep, marginMost)
		return false, false, nil
	} else if err != nil {
		return false, false, err
	}
	end := s.clock.Now()
	c.followPoll(end.Sub(now))
	if !c.taken {
		return false, true, nil
	}
	c.tries++
	if end.Sub(c.startTo)-c.plan.PollTail > c.leastWait && c.tries <= proofTries {
		return false, true, nil
	}
	c.margin = max(0, c.margin-marginBack)
	return true, true, nil
}

// followPoll lets took follow the median of what polls take.
func (c *scanned) followPoll(took time.Duration) {
	if took > c.took {
		c.took += tookStep
	} else if took < c.took-tookStep {
		c.took -= tookStep
	}
}

// provenUpTo notes that all windows up to an instant are good.
func (c *scanned) provenUpTo(to, now Instant) {
	c.verified.Add(1)
	c.good, c.tries, c.leastWait, c.fresh = to, 0, noWait, false
	c.verifyAt = now.Add(verifyEvery)
}

// noWait stands for no read yet.
const noWait = time.Duration(1<<63 - 1)

// verifyFailed restarts a chip whose verification failed: what it delivered
// since the last good one is void, unless only a transfer was missed.
func (s *Scanner) verifyFailed(c *scanned, err error) {
	if errors.Is(err, ErrConfigLost) || errors.Is(err, ErrLate) {
		s.goBlind(c, err)
	}
	s.fail(c, err)
}
