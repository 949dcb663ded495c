package adc

import (
	"math"
	"slices"
	"time"
)

// This file learns how long a chip's conversions take. Its oscillator may be off
// by the data sheet's tolerance, which is a tenth of a window: too much to say
// when a window ended. A few conversions at start-up, and later one now and then
// (for the oscillator drifts with its temperature), are asked at the instant of
// their expected end whether they are over. The expectation follows the answers;
// its step is halved where they change and doubled where they stay the same.
// What is learned serves the stamps only, never the proof that a conversion is
// over.

const (
	// learnPolls is how many conversions are spent on learning a chip's own
	// conversion time when it is first seen.
	learnPolls = 16
	// followEvery is how often a chip is asked again.
	followEvery = 250 * time.Millisecond
	// offMost is how far off its aim a question may be at most to count; it is
	// stepLeast while enough of them are on the spot.
	offMost = 60 * time.Microsecond
	// skipsMost is how many questions in a row may be left out because the bus is
	// busy; then it is kept free for one.
	skipsMost = 8
	// stepLeast is the step of the expectation once it is found.
	stepLeast = 400 * time.Nanosecond
	// sameMost answers in a row are drift, no chance.
	sameMost = 5
	// aimStep is by how much at most the aim of the questions follows their
	// lateness at once.
	aimStep = 4 * time.Microsecond
)

// conversion is what is known of a chip's conversion time.
type conversion struct {
	time     time.Duration // best knowledge
	min, max time.Duration // it was between these when it was learned
	step     time.Duration
	same     int           // like answers in a row
	busy     bool          // the latest answer
	noise    time.Duration // by how much the instants of start and answer are open
	off      time.Duration // how far off its aim a question may be
	polls    int
	polled   [learnPolls]time.Duration // what each poll took
	ahead    time.Duration             // by how much questions are begun early: the host is late
	skips    int                       // questions left out in a row
	followAt Instant                   // when the chip is to be asked again
}

func newConversion(t *Timing) conversion {
	return conversion{time: (t.Min + t.Max) / 2, min: t.Min, max: t.Max, step: (t.Max - t.Min) / 4, off: stepLeast}
}

// stamp returns the bound and the standard uncertainty of a window's stamps if
// it can have begun half to either side of its stamp. Uniform: half/√3 (JCGM
// 100:2008, 4.3.7); the middle of the window feels half of the error of its
// length.
func (k *conversion) stamp(half time.Duration) (err, u time.Duration) {
	slack := time.Duration(drift * float64(k.time))
	length := math.Sqrt(float64(k.step)*float64(k.step) + float64(k.step)*float64(k.noise)/2)
	u = time.Duration(math.Sqrt(float64(half)*float64(half)/3 + length*length/4))
	return half + max(k.max-k.time, k.time-k.min) + slack, u
}

// answer moves the expectation: the conversion was still running, or not.
func (k *conversion) answer(busy bool) {
	if busy == k.busy {
		if k.same++; k.same >= sameMost {
			k.step, k.same = min(2*k.step, (k.max-k.min)/8+stepLeast), 0
		}
	} else {
		k.step, k.same = max(k.step/2, stepLeast), 0
	}
	k.busy = busy
	if busy {
		k.time += k.step
	} else {
		k.time -= k.step
	}
}

// startLearning begins a conversion whose end is to be found.
func (s *Scanner) startLearning(c *scanned) {
	if !s.startInput(c, c.plan.Inputs[0].Input) {
		return
	}
	c.phase, c.due = learning, c.askAt()
}

// askAt is when a question is to begin to be answered at the expected end.
func (c *scanned) askAt() Instant {
	began, _ := c.began()
	return began.Add(c.conversion.time - c.plan.PollLead - c.conversion.ahead)
}

// ask asks whether the running conversion is over and learns from the answer.
func (s *Scanner) ask(c *scanned) bool {
	before := s.clock.Now()
	busy, err := c.plan.Chip.Busy()
	after := s.clock.Now()
	if err != nil {
		s.fail(c, err)
		return false
	}
	k := &c.conversion
	k.polled[k.polls%learnPolls] = after.Sub(before)
	k.polls++
	began, half := c.began()
	earliest, latest := before.Add(c.plan.PollLead), after.Add(-c.plan.PollTail)
	if k.polls <= learnPolls {
		if busy {
			k.min = max(k.min, earliest.Sub(began)-half)
		} else {
			k.max = min(k.max, latest.Sub(began)+half)
		}
		if k.min > k.max { // a chip outside its data sheet: verification finds it
			k.min, k.max = c.timing.Min, c.timing.Max
		}
	}
	asked := latest.Sub(earliest) / 2
	k.noise = half + asked
	late := earliest.Add(asked).Sub(began.Add(k.time))
	k.ahead = min(max(k.ahead+min(max(late/2, -aimStep), aimStep), 0), k.time/4)
	if within := max(k.step, k.off); (busy && late > -within) || (!busy && late < within) {
		k.answer(busy)
		k.off = max(k.off/2, stepLeast)
	} else {
		k.off = min(2*k.off, offMost)
	}
	slack := time.Duration(drift * float64(k.time))
	k.time = min(max(k.time, k.min-slack), k.max+slack)
	return true
}

// missed reports whether the time of a question passed while the bus was busy.
// Such questions are always late, and would pull the expectation to one side.
func (s *Scanner) missed(c *scanned) bool {
	k := &c.conversion
	if s.last <= c.due {
		k.skips = 0
		return false
	}
	k.skips++
	return true
}

// learn asks while the chip is first learned.
func (s *Scanner) learn(c *scanned) {
	if s.missed(c) {
		c.due, c.phase = c.over, waiting
		return
	}
	if !s.ask(c) {
		return
	}
	c.due, c.phase = c.over, waiting
	if k := &c.conversion; k.polls >= learnPolls {
		// The next start comes when this conversion is certainly over.
		c.phase = starting
		polled := k.polled
		slices.Sort(polled[:])
		c.took = polled[learnPolls/2]
		k.followAt = s.clock.Now().Add(followEvery)
	}
}

// followConversion asks about a conversion for the plan, which is read later.
func (s *Scanner) followConversion(c *scanned) {
	c.follow = false
	if !s.missed(c) {
		if !s.ask(c) {
			return
		}
		c.conversion.followAt = s.clock.Now().Add(followEvery)
	}
	c.due = c.readAt()
}

// ReferencePeriod is the time one scan takes at best: inputs times the longer of
// one chip's conversion with its transfers and all chips' transfers, where
// transfers is the bus time of one start and one read with the host's overhead.
// It is what an achieved interval is compared with.
func ReferencePeriod(chips, inputs int, t Timing, transfers time.Duration) time.Duration {
	return time.Duration(inputs) * max(t.Nominal+t.Wake+transfers, time.Duration(chips)*transfers)
}
