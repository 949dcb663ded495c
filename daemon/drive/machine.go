package drive

import (
	"fmt"
	"time"
)

// Machine drives one script, again each time that it is armed. It is not safe for
// concurrent use. The zero value switches nothing.
type Machine struct {
	b      Bench
	script Script

	phase   phase
	begun   bool
	now     time.Duration
	out     Set // without the watchdog's level
	lines   []lineState
	at      int           // step of the script
	entered time.Duration // when it was
	waiting bool          // it is over, and the next must not begin yet
	armedAt time.Duration

	starts   []time.Duration // begins of the latest, oldest first
	supplyV  float64         // at the step before
	startEnd time.Duration   // end of the last, as far as is known; see rest

	level   bool // of the watchdog line
	pulsed  time.Duration
	pulsing time.Duration // since when it pulses, or does not
	events  []Event
}

// lineState is what is kept of an output line.
type lineState struct {
	switched  time.Duration // when it last was
	ever      bool
	restUntil time.Duration
	heatJ     float64
}

// phase is how far a machine is.
type phase uint8

const (
	resting phase = iota // everything is off; to be armed, Arm must first be seen off
	ready                // everything is off; Arm arms it
	warming              // armed: pulses go out, nothing is switched yet
	driving
)

// New returns a machine that is not armed, or what is wrong with bench or script.
func New(b Bench, s Script) (*Machine, error) {
	if err := b.Check(); err != nil {
		return nil, err
	}
	if faults := s.Check(&b); len(faults) > 0 {
		return nil, fmt.Errorf("step %d: %s", faults[0].Step+1, faults[0].What)
	}
	b.Limits = b.Limits.WithDefaults()
	return &Machine{b: b, script: s, lines: make([]lineState, len(b.Outputs))}, nil
}

// Step is told the time, on any clock that only goes forward, and what the bench
// sees. It returns the lines that must be on now and what happened; the events are
// valid until the next call. It must be called at least every DeadMan.
func (m *Machine) Step(now time.Duration, in Inputs) (Set, []Event) {
	m.events = m.events[:0]
	if !m.begun {
		m.begun, m.now = true, now
		m.rest(now)
	}
	why := m.doubt(now, &in)
	if now < m.now {
		m.shift(now - m.now)
	}
	m.warm(now-m.now, in.SupplyV)
	m.now = now
	if in.Trouble != "" { // what could not be written off is on until the supply drops
		m.rest(now + DropWithin)
	}
	switch {
	case m.phase == resting && !in.Arm:
		m.phase = ready
		m.emit(Event{Kind: Ready})
	case m.phase == ready && in.Arm && why == "":
		m.phase, m.armedAt, m.pulsing = warming, now, now
		m.emit(Event{Kind: Armed})
	case m.phase == ready && in.Arm, m.armed() && why != "":
		m.latch(why)
	case m.phase == warming && now-m.armedAt >= WarmUp:
		m.phase = driving
		m.enter(0)
	case m.phase == driving:
		m.follow(in.QuietFor)
	}
	m.pulse()
	return m.lineSet(), m.events
}

// shift moves all that is remembered by as much as the clock was moved, so that it
// keeps its age; starter and loads must rest anew, for nobody knows how long they have.
func (m *Machine) shift(by time.Duration) {
	for _, t := range []*time.Duration{&m.now, &m.entered, &m.armedAt, &m.pulsed, &m.pulsing} {
		*t += by
	}
	m.rest(m.now)
	for i := range m.starts {
		m.starts[i] += by
	}
	for i := range m.lines {
		m.lines[i].switched += by
	}
}

// Stop is for the end of the program: everything is off, and must be armed anew.
func (m *Machine) Stop() { m.off() }

// armed reports whether anything may be on.
func (m *Machine) armed() bool { return m.phase >= warming }

// follow goes on with the script.
func (m *Machine) follow(quiet time.Duration) {
	s := &m.script.Steps[m.at]
	stayed := m.now - m.entered
	over := s.For > 0 && stayed >= s.For
	if s.Settled > 0 {
		settled := min(quiet, stayed) >= s.Settled
		over = settled || stayed >= s.Most
		if over && !settled && !m.waiting {
			m.emit(Event{Kind: Unsettled, Step: m.at, Position: s.Position})
		}
	}
	switch {
	case !over:
		m.hold(m.out)
	case m.at == len(m.script.Steps)-1:
		m.off()
		m.emit(Event{Kind: Ended})
	case m.mayEnter(m.at + 1):
		m.enter(m.at + 1)
	default:
		if !m.waiting {
			m.waiting = true
			m.emit(Event{Kind: Waiting, Step: m.at + 1, Position: m.script.Steps[m.at+1].Position})
		}
		m.hold(m.relaysOf(s.Position))
	}
}

// mayEnter reports whether what a step switches on has rested.
func (m *Machine) mayEnter(step int) bool {
	s := &m.script.Steps[step]
	if s.Position == Start && !m.mayStart() {
		return false
	}
	for _, slot := range s.Loads {
		if !m.rested(m.b.line(TestLoad, slot), s.For) {
			return false
		}
	}
	return true
}

func (m *Machine) enter(step int) {
	m.at, m.entered, m.waiting = step, m.now, false
	s := &m.script.Steps[step]
	want := m.relaysOf(s.Position)
	for _, slot := range s.Loads {
		want = want.With(m.b.line(TestLoad, slot))
	}
	for _, slot := range s.Bleeds {
		want = want.With(m.b.line(BleedResistor, slot))
	}
	m.emit(Event{Kind: Moved, Step: step, Position: s.Position})
	m.hold(want)
}

// relaysOf is the relays that are on in a position.
func (m *Machine) relaysOf(p Position) (out Set) {
	for k, fed := range p.relays() {
		if fed {
			out = out.With(m.b.line(RelayAccessory+Role(k), ""))
		}
	}
	return out
}

// hold switches lines, unless the interlocks forbid it: then everything goes off.
func (m *Machine) hold(want Set) {
	if why := m.forbids(want); why != "" {
		m.latch(why)
		return
	}
	m.change(want)
}

// change notes what goes on and off.
func (m *Machine) change(want Set) {
	for i := range m.b.Outputs {
		if want.Has(i) == m.out.Has(i) {
			continue
		}
		x, on := &m.lines[i], want.Has(i)
		switch m.b.Outputs[i].Role {
		case RelayStart:
			if on {
				m.starts = append(m.starts[max(0, len(m.starts)-startsMost+1):], m.now)
			} else {
				m.startEnd = max(m.startEnd, m.now)
			}
		case TestLoad:
			if !on {
				x.restUntil = max(x.restUntil, m.now+m.restAfter(m.now-x.switched))
			}
		}
		x.switched, x.ever = m.now, true
		m.emit(Event{Kind: Switched, Output: i, On: on})
	}
	m.out = want
}

// latch switches everything off until it is armed again.
func (m *Machine) latch(why string) {
	m.off()
	m.emit(Event{Kind: Latched, Step: m.at, Why: why})
}

func (m *Machine) off() {
	m.change(0)
	m.phase, m.level, m.pulsing = resting, false, m.now
}

// pulse lets the watchdog line change while the machine is armed.
func (m *Machine) pulse() {
	if m.armed() && m.now-m.pulsed >= PulseEvery {
		m.level, m.pulsed = !m.level, m.now
	}
}

// lineSet is every line that must be on, the watchdog's among them.
func (m *Machine) lineSet() Set {
	if m.level {
		return m.out.With(m.b.line(Watchdog, ""))
	}
	return m.out
}

func (m *Machine) emit(e Event) {
	e.At = m.now
	m.events = append(m.events, e)
}
