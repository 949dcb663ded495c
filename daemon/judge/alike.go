package judge

import "slices"

// does compares the behaviours, and reports whether the figures beside them are of the
// same thing.
func (c *Comparison) does(b, a *Slot) bool {
	switch {
	case b.Behaviour == a.Behaviour && b.Behaviour != NotProven:
		c.Compared++
		return true
	case b.Behaviour == NotProven || a.Behaviour == NotProven:
		if meet(b.options(), a.options()) {
			c.open(b.Name, Does, Undecided)
			return true
		}
	case shows(b.Behaviour, a.Behaviour):
		c.open(b.Name, Does, SwitchUnused)
		return false
	case is(b, a, Permanent, Awake):
		if differs, _ := unequal(b.liveAfterOff(), a.liveAfterOff(), timeSlackS(b.liveAfterOff(), a.liveAfterOff())); !differs {
			c.open(b.Name, Does, WatchedLess)
			return false
		}
	}
	c.Compared++
	c.differs(b.Name, Does, !loose(b.Behaviour) && !loose(a.Behaviour))
	return false
}

// options are the behaviours that a slot may have.
func (s *Slot) options() []Behaviour {
	if s.Behaviour == NotProven {
		return s.Possible
	}
	return []Behaviour{s.Behaviour}
}

// meet reports whether two slots may be alike; of which nothing is known may be anything.
func meet(b, a []Behaviour) bool {
	return len(b) == 0 || len(a) == 0 || slices.ContainsFunc(b, func(x Behaviour) bool {
		return slices.ContainsFunc(a, func(y Behaviour) bool { return x == y || shows(x, y) })
	})
}

// shows reports whether one slot may show both in turn: what its switch works looks like
// one of the others while nobody touches the switch.
func shows(x, y Behaviour) bool {
	still := []Behaviour{NoVolts, Permanent, Awake}
	return x == SwitchOperated && slices.Contains(still, y) || y == SwitchOperated && slices.Contains(still, x)
}

// is reports whether the one is x and the other y.
func is(b, a *Slot, x, y Behaviour) bool {
	return b.Behaviour == x && a.Behaviour == y || b.Behaviour == y && a.Behaviour == x
}

// loose reports whether a behaviour hangs on more than the key: on a hand, on a bad
// contact, on when the vehicle falls asleep.
func loose(x Behaviour) bool { return x == SwitchOperated || x == Intermittent || x == Awake }

// liveAfterOff is how long a slot was live after key-off, as far as it was watched.
func (s *Slot) liveAfterOff() *span {
	if s.Behaviour == Permanent {
		return (&Time{S: s.WatchedOffS, Open: true}).span()
	}
	return s.StaysOn.span()
}
