package adc

import "errors"

// This file brings a chip up, first or again after a fault, and says of its leads
// that they cannot be seen meanwhile.

// configure brings a chip up, first or again.
func (s *Scanner) configure(c *scanned, now Instant) {
	if c.seen {
		// Did it only miss a transfer, or has it lost what it held?
		if err := c.plan.Chip.Verify(); err != nil {
			if errors.Is(err, ErrConfigLost) {
				s.goBlind(c, err)
			} else {
				s.fail(c, err)
				return
			}
		}
	}
	if err := c.plan.Chip.Configure(); err != nil {
		s.fail(c, err)
		return
	}
	c.tries, c.taken, c.fresh = 0, false, true
	c.phase, c.settleBy = settling, s.clock.Now().Add(settleMost)
	s.settle(c)
}

// settle waits for the end of a conversion that was running before the chip was
// configured: one started by whoever had the chip before, at whatever rate.
func (s *Scanner) settle(c *scanned) {
	busy, err := c.plan.Chip.Busy()
	now := s.clock.Now()
	switch {
	case err != nil:
		s.fail(c, err)
	case busy && now > c.settleBy:
		s.goBlind(c, ErrLate)
		s.fail(c, ErrLate)
	case busy:
		c.due = now.Add(retryFirst)
	case c.conversion.polls < learnPolls:
		c.seen = true
		if s.learningNow() {
			c.due = now.Add(retryFirst) // one at a time: they would be in each other's way
			return
		}
		s.startLearning(c)
	default:
		c.seen, c.verifyAt = true, now
		s.start(c)
	}
}

// learningNow reports whether a chip's conversion time is being learned.
func (s *Scanner) learningNow() bool {
	for i := range s.chips {
		if p := s.chips[i].phase; p == learning || p == waiting {
			return true
		}
	}
	return false
}

// fail notes a failed transfer and when to try again. The chip may be converting.
func (s *Scanner) fail(c *scanned, err error) {
	c.faults.Add(1)
	wait := min(retryFirst<<min(c.failures, 10), retryMost)
	if c.failures++; errors.Is(err, ErrWrongChip) && c.failures > wrongSure {
		wait = retryWrong // each try writes to a chip that is not ours
	}
	c.phase = absent
	c.due = max(c.over, s.clock.Now().Add(wait))
	if c.failures > 1 {
		s.goBlind(c, err)
	}
}

// goBlind says of every lead of a chip that it cannot be seen, once a stretch,
// and once more if it turns out that the chip has been exchanged for another.
func (s *Scanner) goBlind(c *scanned, err error) {
	reason := BlindReasonOf(err)
	if c.blind == WrongChip || c.blind != 0 && reason != WrongChip {
		return
	}
	now := s.clock.Now()
	since := c.good
	if !c.seen {
		since = now
		if reason != WrongChip && reason != LateChip {
			reason = NotAnswering
		}
	}
	c.blind = reason
	for i, in := range c.plan.Inputs {
		told := false
		for _, earlier := range c.plan.Inputs[:i] {
			told = told || earlier.Lead == in.Lead
		}
		if !told {
			s.emit(Input{Kind: BlindInput, At: now, Blind: Blind{Lead: in.Lead, Since: since, Reason: reason}})
		}
	}
}
