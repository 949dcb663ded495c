package adctest

import "keyturn/adc"

// supply is what befalls a chip from outside: it loses its supply for a moment, or
// is taken off the bus and put back. Faults are to be scheduled in the order of time.
type supply struct {
	lose   func() // what the loss of the supply does to the chip
	absent bool
	events []event
}

// event is something that will happen to the chip.
type event struct {
	at   adc.Instant
	what func()
}

// BrownOut lets the supply fail for a moment at an instant: registers reset, a
// running conversion is lost, the conversion register reads 0.
func (s *supply) BrownOut(at adc.Instant) { s.schedule(at, s.lose) }

// Unplug takes the chip off the bus at an instant; it loses its supply.
func (s *supply) Unplug(at adc.Instant) {
	s.schedule(at, func() { s.lose(); s.absent = true })
}

// Plug brings it back.
func (s *supply) Plug(at adc.Instant) {
	s.schedule(at, func() { s.lose(); s.absent = false })
}

func (s *supply) schedule(at adc.Instant, what func()) {
	s.events = append(s.events, event{at, what})
}

func (s *supply) answers() bool { return !s.absent }

// pass lets the time pass up to t: what befalls the chip and the ends of its
// conversions, in their order. ends tells when the running conversion ends, false
// while none runs; finish ends it.
func (s *supply) pass(t adc.Instant, ends func() (adc.Instant, bool), finish func()) {
	for {
		next, isEvent := t+1, false
		if at, running := ends(); running && at < next {
			next = at
		}
		if len(s.events) > 0 && s.events[0].at < next {
			next, isEvent = s.events[0].at, true
		}
		switch {
		case next > t:
			return
		case isEvent:
			e := s.events[0]
			s.events = s.events[1:]
			e.what()
		default:
			finish()
		}
	}
}
