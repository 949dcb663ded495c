package link

import "time"

// This file sees to it that record keepers get what a broker acknowledged and lost:
// what one lacks is sent again, at each connect and when it does not move for long: a
// little first, and more as its receipts come. One that is away is left alone, or the
// broker's queue for it would fill with repetitions; it says its receipt when it is
// back.

const (
	// receiptWaitMost bounds the wait for a record keeper that is there and does not
	// move, receiptWaitAway for one that is away.
	receiptWaitMost = time.Hour
	receiptWaitAway = 24 * time.Hour
	// keeperAway is after how long without a receipt a record keeper is away: it is to
	// repeat its own every minute.
	keeperAway = 3 * time.Minute
	// partMost is the most results that are sent again without a receipt in between; the
	// first time it is a window, and doubles.
	partMost = 1024
)

// lag is how the record keeper that is last in the race does.
type lag struct {
	first time.Duration // the wait to begin with
	wait  time.Duration // how long it may stand still
	since time.Time     // it has not moved, or was last sent something again
	heard time.Time     // its latest receipt

	target int64 // it is to be sent everything up to here again; 0: nothing
	upTo   int64 // the part that is under way
	part   int64 // how many there are in a part
}

func newLag(first time.Duration) lag {
	now := time.Now()
	return lag{first: first, wait: first, since: now, heard: now}
}

// receipt notes one of the last keeper in the race.
func (l *lag) receipt(moved bool) {
	if moved || l.away() {
		l.wait, l.since = l.first, time.Now()
	}
	l.heard = time.Now()
}

// none notes that no keeper lacks anything.
func (l *lag) none() { l.wait, l.since = l.first, time.Now() }

// away reports whether the keeper is not there.
func (l *lag) away() bool { return time.Since(l.heard) > keeperAway }

// due reports whether what it lacks is to be sent again.
func (l *lag) due() bool { return time.Since(l.since) >= l.wait }

// sentAgain notes that it was.
func (l *lag) sentAgain() {
	most := receiptWaitMost
	if l.away() {
		most = receiptWaitAway
	}
	l.wait, l.since = min(2*l.wait, most), time.Now()
}

// catchUp begins to send again what record keepers have not stored in time.
func (s *session) catchUp() {
	c := s.l.o.Outbox.Counts()
	switch {
	case !s.l.o.Receipts || c.Delivered >= s.sent:
		s.l.lag.none()
	case s.again.empty() && s.l.lag.due():
		s.l.o.Logger.Warn("results are sent again: a record keeper has not stored them", "from", c.Delivered+1, "to", s.sent)
		s.sendAgain(c.Delivered, s.sent)
		s.l.lag.sentAgain()
	}
}

// sendAgain sends the first part of what comes after a number.
func (s *session) sendAgain(after, to int64) {
	s.l.lag.target, s.l.lag.part = to, window
	s.sendPart(after)
}

func (s *session) sendPart(after int64) {
	g := &s.l.lag
	g.upTo = min(g.target, after+g.part)
	s.again = stretch{after + 1, g.upTo}
}

// received goes on with what is being sent again as it arrives.
func (s *session) received(delivered int64) {
	g := &s.l.lag
	switch {
	case g.target == 0:
	case delivered >= g.target:
		g.target = 0
	case delivered >= g.upTo && s.again.empty():
		g.part = min(2*g.part, partMost)
		s.sendPart(delivered)
	}
}
