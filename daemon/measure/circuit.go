package measure

import (
	"slices"
	"time"

	"keyturn/adc"
)

// This file decides whether one lead is live. It sees one judged sample at a
// time as r, its voltage over the reference of the same moment:
//
//	        two samples above LiveAbove
//	unknown ───────────────────────────▶ live
//	   │                                 ▲ │
//	   │ two below DeadBelow        above│ │below
//	   ▼                                 │ ▼
//	  dead ◀──────────────────────────── dead
//
// Between the thresholds the state stays: a feed that sags is not dead, a
// leakage that lifts a dead one is not live. Unknown is where nothing can be
// said; it is never dead.
//
// The instants of the edges found here are worked out later, when the samples
// after them are in (instant.go); edges that come too fast to be told apart are
// pulsing (pulse.go).

// lead is what the engine knows of one lead. What every sample touches stands
// first, side by side.
type lead struct {
	fullScaleUV           int32
	state                 State
	busy                  bool // open edges, a run begun, pulsing: nothing may be skipped
	recording             bool // its samples are kept for a start
	blind                 bool
	lastTo                adc.Instant // end of the latest sample taken
	voltsPerCode, offsetV float64
	prevR                 float64
	liveAbove             float64
	decline               decline
	h                     history

	index        int
	name         string
	cal          adc.Calibration
	tau          timeConstants
	bounceMax    time.Duration
	absoluteRef  float64 // the reference where there is no sense lead
	deadBelow    float64
	noiseV       float64
	hiRun, loRun int // samples in a row above LiveAbove, below DeadBelow
	edges        []edge
	trans        []transition // of the open cycle
	leftOut      int          // transitions of the cycle that are no longer in it
	lastStep     fittedStep   // the latest edge that a curve was found for
	levels       [3]float64   // part of the reference it last settled to, per state
	steady       steadiness

	blindSince  adc.Instant // the change that a blind stretch hides is after this
	blindBefore State
	blindReason string
	blindAgree  int // agreeing samples in a row since something is seen again
	blindFirst  point
	sawAgain    adc.Instant // end of the last blind stretch

	pulse  pulseDetector
	seen   Seen
	ghostN int
}

// edge is a change of state whose instant is not worked out yet.
type edge struct {
	state State
	first uint64 // number of the first of the agreeing samples
}

// transition is a Transition with what the engine must know of it besides.
type transition struct {
	Transition
	decided adc.Instant // end of the sample that decided it
	sent    bool
}

const (
	// steadyR is the change of r from sample to sample below which a lead
	// counts as steady.
	steadyR = 0.02
	// quietR is the r below which a dead lead needs no closer look.
	quietR = 0.05
	// resolveAfter is how many samples after the first of an edge are waited
	// for before its instant is worked out: they give the level it goes to.
	resolveAfter = 5
	// openEdgesMax bounds the edges waiting to be resolved; more are pulsing.
	openEdgesMax = 8
	// sendAfter is how long a transition is held back, so that what turns out
	// to be pulsing need not be withdrawn.
	sendAfter = 150 * time.Millisecond
)

func newLead(i int, p *Params) lead {
	d := &p.Leads[i]
	l := lead{
		index: i, name: d.Name, cal: d.Calibration,
		tau: newTimeConstants(d), bounceMax: p.BounceMax,
		liveAbove: p.LiveAbove, deadBelow: p.DeadBelow,
		edges: make([]edge, 0, openEdgesMax), steady: newSteadiness(),
	}
	if p.BatterySense == NoLead {
		l.deadBelow = p.DeadBelowV * p.LiveAbove / p.LiveAboveV
		l.absoluteRef = p.LiveAboveV / p.LiveAbove
	}
	return l
}

func (l *lead) setScale(s *adc.Sample) {
	l.fullScaleUV = s.FullScaleUV
	l.voltsPerCode = s.StepV() * l.cal.Gain
	l.offsetV = l.cal.OffsetV
	l.noiseV = float64(s.NoiseV) * l.cal.Gain
}

// judge takes the lead's next sample with the reference of its moment.
func (e *Engine) judge(l *lead, p *point, ref float64) {
	r := p.v / ref
	p.ref, p.r = ref, r
	d := r - l.prevR
	l.prevR = r
	if l.h.judged%declineBlock == 0 {
		l.decline.take(p)
		l.steady.take(l, &e.plain)
	}
	if !l.busy && d < steadyR && d > -steadyR &&
		((l.state == Live && r > l.liveAbove && r < highR) || (l.state == Dead && r < quietR)) {
		return
	}
	e.judgeClosely(l, p, d)
}

// judgeClosely is judge for a lead that is not plainly steady.
func (e *Engine) judgeClosely(l *lead, p *point, d float64) {
	if p.r >= highR {
		e.sense.high = true
	}
	if p.r > l.liveAbove {
		l.hiRun, l.loRun = l.hiRun+1, 0
	} else if p.r < l.deadBelow {
		l.hiRun, l.loRun = 0, l.loRun+1
	} else {
		l.hiRun, l.loRun = 0, 0
	}
	if l.recording {
		e.crank.keep(l.index, p)
	}
	e.followPulses(l, p)
	if (l.blind || l.state == Unknown) && !l.pulse.on {
		e.seeAgain(l, p)
		return
	}
	if !l.pulse.on {
		e.followState(l, p)
		e.followGhost(l, p, d)
	}
	l.busy = l.recording || l.pulse.busy() || len(l.edges) > 0 ||
		(l.state == Live && l.loRun > 0) || (l.state == Dead && l.hiRun > 0)
}

// followState changes the state when two samples agree on another.
func (e *Engine) followState(l *lead, p *point) {
	to := Unknown
	switch {
	case l.state == Dead && l.hiRun >= 2:
		to = Live
	case l.state == Live && l.loRun >= 2:
		to = Dead
	default:
		return
	}
	e.resolveEdges(l, true)
	l.edges = append(l.edges, edge{state: to, first: l.h.judged - 1})
	l.state = to
	e.emit(&StateChanged{Lead: l.index, State: to, At: p.to})
}

// ghostSamples is for how many samples, 0.1 s at 6 ms, a voltage must stand to be
// called a ghost.
const ghostSamples = 16

// followGhost notices a steady voltage too low for a feed: on a dead lead it is
// a ghost, a live one it has left without a feed, which is dead.
func (e *Engine) followGhost(l *lead, p *point, d float64) {
	if p.r < quietR+0.01 || p.r > e.p.GhostBelow || d > steadyR || d < -steadyR {
		l.ghostN = 0
		return
	}
	if l.ghostN++; l.ghostN < ghostSamples {
		return
	}
	if !l.decline.falling {
		l.seen |= SeenGhost
	}
	if l.state == Live {
		e.resolveEdges(l, true)
		first := l.h.judged - ghostSamples + 1
		for first > l.h.first() && l.h.at(first-1).r < l.liveAbove {
			first--
		}
		l.edges = append(l.edges, edge{state: Dead, first: first})
		l.state = Dead
		e.emit(&StateChanged{Lead: l.index, State: Dead, At: p.to})
	}
}

// seeAgain finds the first state, or the state after a blind stretch; where
// that differs from the state before, something changed unseen.
func (e *Engine) seeAgain(l *lead, p *point) {
	wasPulsed := l.blindBefore == Live && l.seen&SeenPulsed != 0
	now := Unknown
	switch {
	case l.hiRun > 0:
		now = Live
	case l.loRun > 0 && (!wasPulsed || (l.loRun >= dwellMax && l.pulse.dwell >= dwellMax)):
		now = Dead
	case p.r < l.liveAbove && !wasPulsed && l.loRun == 0:
		// A steady voltage between the thresholds is no feed; an unsteady one is
		// left to the pulse detector.
		if l.blindAgree > 0 && abs(p.r-l.blindFirst.r) > steadyR {
			l.blindAgree = 0
		}
		if l.blindAgree++; l.blindAgree == 1 {
			l.blindFirst = *p
		}
		if l.blindAgree < quietAfter {
			return
		}
		now = Dead
	}
	if l.hiRun == 1 || l.loRun == 1 {
		l.blindAgree, l.blindFirst = 1, *p
		return
	}
	if now == Unknown {
		return
	}
	l.pulse.reset(p.r)
	l.pulse.on = wasPulsed && now == Live // until it is seen to rest
	e.sawAgain(l, now, p, l.blindFirst.to)
}

// sawAgain ends a blind stretch, or the time before the first state, with the
// state that the lead has by notAfter.
func (e *Engine) sawAgain(l *lead, now State, p *point, notAfter adc.Instant) {
	before, wasBlind := l.blindBefore, l.blind
	l.blind, l.blindAgree, l.blindBefore = false, 0, Unknown
	l.state = now
	e.emit(&StateChanged{Lead: l.index, State: now, At: p.to})
	if wasBlind {
		l.sawAgain = p.to
	}
	if before != Unknown && before != now {
		e.file(l, between(l.index, now, l.blindSince, notAfter, 0), p.to)
	}
}

// goBlind makes a lead unknown since an instant in the past. Whatever its
// samples after that said is taken back.
func (e *Engine) goBlind(i int, since, at adc.Instant, reason string) {
	l := &e.leads[i]
	l.h.cut(since)
	for k := len(l.edges) - 1; k >= 0; k-- {
		if f := l.edges[k].first; f+1 >= l.h.n {
			l.edges = l.edges[:k]
			l.state = opposite(l.state)
		}
	}
	for k := len(l.trans) - 1; k >= 0 && l.trans[k].decided > since; k-- {
		e.withdraw(l, k, "its samples are void: "+reason)
	}
	e.resolveEdges(l, true)
	if l.pulse.on {
		l.state = Live
		if n := l.h.judged; l.pulse.quiet >= fellQuiet && n > l.h.first() && l.h.at(n-1).r < l.deadBelow {
			l.h.judged--
			e.stopPulsing(l, l.h.at(n-1))
		}
	}
	if !l.blind {
		l.blind, l.blindBefore, l.blindAgree = true, l.state, 0
		l.blindSince = since.Add(-10 * time.Millisecond)
		if n := l.h.n; n >= l.h.first()+2 {
			l.blindSince = l.h.at(n - 2).from
		}
		e.emit(&StateChanged{Lead: i, State: Unknown, At: at, Reason: reason})
		e.cycle.blind(i, since, at)
	} else if reason != l.blindReason {
		e.emit(&StateChanged{Lead: i, State: Unknown, At: at, Reason: reason})
	}
	l.blindReason = reason
	l.state, l.hiRun, l.loRun, l.busy = Unknown, 0, 0, false
	l.pulse.reset(0)
	l.decline = decline{}
	l.steady.blind(since)
	l.h.clear()
}

// file adds a transition to the lead's list.
func (e *Engine) file(l *lead, t Transition, decided adc.Instant) {
	if n := len(l.trans); n > 0 && l.trans[n-1].State == t.State {
		return // live and dead alternate
	}
	t.ID = transitionID(l.name, t.At)
	if n := len(l.trans); n >= transMost && l.trans[transFirst].sent && l.trans[transFirst+1].sent {
		// In pairs, so that live and dead alternate still.
		l.trans = slices.Delete(l.trans, transFirst, transFirst+2)
		l.leftOut += 2
	}
	l.trans = append(l.trans, transition{Transition: t, decided: decided})
}

// A cycle holds at most transMost transitions of a lead, the first transFirst of them
// and the latest: a lamp that flashes for an hour must not make a result that nobody
// can carry. All of them were sent by themselves.
const (
	transMost  = 64
	transFirst = 24
)

// withdraw takes the k-th and all later transitions of a lead back.
func (e *Engine) withdraw(l *lead, k int, why string) {
	for i := len(l.trans) - 1; i >= k; i-- {
		if t := &l.trans[i]; t.sent {
			e.emit(&TransitionWithdrawn{ID: t.ID, Lead: l.index, Why: why})
		}
		l.state = opposite(l.trans[i].State)
	}
	l.trans = l.trans[:k]
}

// sendTransitions emits the transitions that are old enough, oldest lead first.
func (e *Engine) sendTransitions(all bool) {
	for i := range e.leads {
		l := &e.leads[i]
		for k := range l.trans {
			t := &l.trans[k]
			if !t.sent && (all || e.now.Sub(t.decided) >= sendAfter) {
				t.sent = true
				sent := t.Transition
				e.emit(&sent)
				e.key.note(e, l.index, sent)
				e.cycle.changed = true
			}
		}
	}
}

func opposite(s State) State {
	switch s {
	case Live:
		return Dead
	case Dead:
		return Live
	}
	return s
}
