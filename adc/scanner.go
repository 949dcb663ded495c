package adc

import (
	"context"
	"errors"
	"runtime"
	"sync/atomic"
	"time"
)

// Scanner samples the chips of one bus. It pipelines: while one chip converts,
// the others are read and started.
//
// A read that comes too early returns the value of the input before, and a start
// that comes too early is ignored, while the chip's registers look as if it had
// been taken: both put one lead's volts under another's name. So a chip is left
// alone for the data sheet's longest conversion, counted from the latest instant
// at which its last start can have happened. Beyond that each chip is verified
// in turn, at the very instant it is due, at least every verifyEvery, when it is
// first seen, and after any fault or long gap. If that fails, its leads are
// Blind since the last time it held.
//
// One goroutine runs a scanner and touches its bus; nothing else may.
type Scanner struct {
	clock Clock
	emit  func(Input)
	chips []scanned
	tick  Instant
	last  Instant // when the last action was done
}

// ChipPlan is how one chip is scanned.
type ChipPlan struct {
	Chip Chip
	// Inputs are converted in this order, over and over; an input may come more
	// than once.
	Inputs []PlannedInput
	// Continuous lets the chip convert its one input without a pause; see
	// ContinuousChip. Inputs holds just that input.
	Continuous bool
	// StartLead is the least time from the beginning of a start to the instant
	// the chip takes it, StartTail the least time from then to its end.
	StartLead, StartTail time.Duration
	// ReadLead is the least time from the beginning of a read to the instant the
	// chip gives its result.
	ReadLead time.Duration
	// PollLead is the least time from the beginning of a poll to the instant the
	// chip gives its state, PollTail the least time from then to its end.
	PollLead, PollTail time.Duration
}

// PlannedInput ties an input of a chip to a lead.
type PlannedInput struct {
	Input int // the chip's input, from 0
	Lead  int // index of the lead in the bench's list
}

const (
	// longGap is a silence of the scanner itself after which nothing is taken
	// for granted.
	longGap = 50 * time.Millisecond
	// retryFirst and retryMost bound the wait before a faulty chip is tried
	// again; it doubles in between.
	retryFirst = 2 * time.Millisecond
	retryMost  = 100 * time.Millisecond
	// wrongSure is how many failures in a row make it sure that another chip
	// answers; retryWrong is how long it is then left alone.
	wrongSure  = 4
	retryWrong = time.Second
	// swapEvery is after how many rounds neighbours in a chip's plan change
	// places. Without it a circuit switched at the scan's own rate, or a multiple
	// of it, would be seen at the same phase for ever and look steady.
	swapEvery = 8
	// settleMost is the longest a foreign conversion can take: the slowest rate
	// of any family, 8 a second, and a tenth.
	settleMost = 140 * time.Millisecond
	// drift is how far a chip's conversion time may drift after its bounds were
	// learned.
	drift = 0.01
	// tickEvery is how often a TickInput is emitted.
	tickEvery = 100 * time.Millisecond
)

// phase is what a chip is doing.
type phase uint8

const (
	absent    phase = iota // to be configured at due
	settling               // configured, perhaps still converting; to be asked at due
	learning               // converting, to be polled at due
	waiting                // between the learning's conversions
	starting               // to be started for the plan at due
	running                // converting for the plan, to be read at due
	streaming              // converting without a pause, to be read at due
)

// scanned is a chip being scanned.
type scanned struct {
	plan   ChipPlan
	timing Timing
	phase  phase
	due    Instant // when the chip is to be served next
	over   Instant // when the conversion last started is certainly over

	at, round  int     // place in the plan, rounds of it
	startFrom  Instant // the last start happened between these
	startTo    Instant
	conversion conversion // how long its conversions take
	settleBy   Instant
	streamed   Instant // end of the last window of a stream

	good      Instant // end of the last window known good
	verifyAt  Instant
	proof     bool // the running conversion is to be polled before it is read
	follow    bool // it is to be asked about its end
	taken     bool // the chip was idle when it was started: the start was taken
	tries     int
	fresh     bool          // nothing has been proved since it was configured
	leastWait time.Duration // of the reads since good, from start to result
	margin    time.Duration // by how much reads wait longer than they must
	took      time.Duration // what a poll takes, in the median

	failures int         // since its last sample
	blind    BlindReason // what its leads have been told; 0 while they are seen
	seen     bool        // has been configured at least once

	samples, verified, faults atomic.Int64
}

// NewScanner returns a scanner that has not touched the bus yet. Every input is
// emitted on the goroutine that runs it; emit must not keep it waiting for long.
func NewScanner(clock Clock, plans []ChipPlan, emit func(Input)) (*Scanner, error) {
	s := &Scanner{clock: clock, emit: emit, chips: make([]scanned, len(plans))}
	if len(plans) == 0 {
		return nil, errors.New("a scanner needs at least one chip")
	}
	for i, p := range plans {
		if len(p.Inputs) == 0 {
			return nil, errors.New("chip " + p.Chip.Name() + ": no inputs planned")
		}
		if p.Continuous {
			if _, ok := p.Chip.(ContinuousChip); !ok || len(p.Inputs) != 1 {
				return nil, errors.New("chip " + p.Chip.Name() + ": cannot convert continuously, or more than one input is planned")
			}
		}
		c := &s.chips[i]
		c.plan, c.timing = p, p.Chip.Timing()
		c.conversion = newConversion(&c.timing)
		// The chips do not all change places, or verify, in the same rounds.
		c.leastWait, c.round = noWait, 2*i
	}
	return s, nil
}

// Run scans until the context is done. It locks its goroutine to a thread: the
// clock may sleep on it.
func (s *Scanner) Run(ctx context.Context) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	for ctx.Err() == nil {
		s.Step()
	}
}

// Step waits for the chip that is due next and serves it, or emits a tick.
func (s *Scanner) Step() {
	next := s.choose()
	now := s.clock.Now()
	if s.tick == 0 {
		s.tick, s.last = now, now
	}
	if due := max(next.due, now); due > s.tick {
		s.clock.SleepUntil(s.tick)
		s.emit(Input{Kind: TickInput, At: s.tick})
		s.tick = s.tick.Add(tickEvery)
		return
	}
	s.clock.SleepUntil(next.due)
	now = s.clock.Now()
	if now.Sub(s.last) > longGap {
		for i := range s.chips {
			s.chips[i].verifyAt = now
		}
	}
	s.serve(next, now)
	s.last = s.clock.Now()
}

// choose returns the chip to serve next: the one that is due first, unless
// another waits for a proof or a question that must come promptly.
func (s *Scanner) choose() *scanned {
	next := &s.chips[0]
	for i := 1; i < len(s.chips); i++ {
		if c := &s.chips[i]; c.due < next.due {
			next = c
		}
	}
	begin := max(next.due, s.last)
	for i := range s.chips {
		c := &s.chips[i]
		proof := c.phase == running && c.proof && c.taken && s.last.Sub(c.verifyAt) < promptAfter && c.due.Sub(s.last) < reserve
		question := (c.phase == learning || c.follow && c.conversion.skips > skipsMost) && c.due.Sub(begin) < reserve
		stream := c.phase == streaming && c.due.Sub(begin) < reserve
		if stream || (proof || question) && s.last <= c.due {
			return c
		}
	}
	return next
}

// serve does what a chip is due for.
func (s *Scanner) serve(c *scanned, now Instant) {
	switch c.phase {
	case absent:
		s.configure(c, now)
	case settling:
		s.settle(c)
	case learning:
		s.learn(c)
	case waiting:
		s.startLearning(c)
	case starting:
		s.start(c)
	case running:
		s.collect(c, now)
	case streaming:
		s.collectStream(c)
	}
}

// collect reads the conversion that is over and starts the next.
func (s *Scanner) collect(c *scanned, now Instant) {
	if c.follow {
		s.followConversion(c)
		return
	}
	in := c.input()
	proves, idle := false, false
	if c.proof {
		var err error
		if proves, idle, err = s.poll(c, now); err != nil {
			s.verifyFailed(c, err)
			return
		}
	}
	c.taken = idle
	s.clock.SleepUntil(c.readAt())
	now = s.clock.Now()
	r, err := c.plan.Chip.Read()
	if err != nil {
		s.fail(c, err)
		return
	}
	c.leastWait = min(c.leastWait, now.Sub(c.startTo)+c.plan.ReadLead)
	smp := c.sample(in.Lead, r)
	if proves {
		// Only now: the supply may have failed between the poll and the read.
		if err := c.plan.Chip.Verify(); err != nil {
			s.verifyFailed(c, err)
			return
		}
		c.provenUpTo(smp.To, now)
	}
	c.blind, c.failures = 0, 0
	c.samples.Add(1)
	s.emit(Input{Kind: SampleInput, At: smp.To, Sample: smp})
	c.next()
	s.start(c)
}

// input returns what the plan has at its present place. Neighbours change
// places every swapEvery rounds.
func (c *scanned) input() PlannedInput {
	i := c.at
	if swapped := i ^ 1; c.round/swapEvery%2 == 1 && swapped < len(c.plan.Inputs) {
		i = swapped
	}
	return c.plan.Inputs[i]
}

func (c *scanned) next() {
	if c.at++; c.at == len(c.plan.Inputs) {
		c.at = 0
		c.round++
	}
}

// start begins the conversion at the plan's present place.
func (s *Scanner) start(c *scanned) {
	if c.plan.Continuous {
		s.startStream(c)
		return
	}
	if !s.startInput(c, c.input().Input) {
		return
	}
	c.phase = running
	c.due, c.proof = c.readAt(), false
	// Not where neighbours change places: intervals are longest there.
	within := c.round%swapEvery > 0 && c.round%swapEvery < swapEvery-1
	switch {
	case c.startTo >= c.verifyAt && (c.fresh || within):
		c.due, c.proof = c.pollAt(), true
	case c.startTo >= c.conversion.followAt && c.round%swapEvery == swapEvery/2:
		c.due, c.follow = c.askAt(), true
	}
}

// startInput starts an input and notes when that can have happened.
func (s *Scanner) startInput(c *scanned, input int) bool {
	before := s.clock.Now()
	err := c.plan.Chip.Start(input)
	after := s.clock.Now()
	// Even a failed start may have begun a conversion.
	c.startFrom, c.startTo = before.Add(c.plan.StartLead), after
	c.over = after.Add(c.timing.Wake + c.timing.Max)
	if err != nil {
		s.fail(c, err)
		return false
	}
	return true
}

// sample stamps a result with the best estimate of its window.
func (c *scanned) sample(lead int, r Result) Sample {
	from, half := c.began()
	err, u := c.conversion.stamp(half)
	return Sample{
		Lead: lead, Code: r.Code, FullScaleUV: r.FullScaleUV, NoiseV: r.NoiseV, Saturated: r.Saturated,
		From: from, To: from.Add(c.conversion.time), StampErr: err + c.plan.StartTail, StampU: u,
	}
}

// began returns when the running conversion's window began at best knowledge,
// and the half-width of when it can have: anywhere in the call that started it,
// the transfer's own time apart.
func (c *scanned) began() (at Instant, half time.Duration) {
	half = (c.startTo.Sub(c.startFrom) - c.plan.StartTail) / 2
	return c.startFrom.Add(half + c.timing.Wake), half
}

// Counts is what a chip has done so far.
type Counts struct {
	Chip                      string
	Samples, Verified, Faults int64
}

// Counts returns what each chip has done. It may be called from any goroutine.
func (s *Scanner) Counts() []Counts {
	out := make([]Counts, len(s.chips))
	for i := range s.chips {
		c := &s.chips[i]
		out[i] = Counts{c.plan.Chip.Name(), c.samples.Load(), c.verified.Load(), c.faults.Load()}
	}
	return out
}
