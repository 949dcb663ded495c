package drive

import (
	"fmt"
	"time"
)

// This file holds what forbids. doubt looks at what the bench sees, forbids at what
// is about to be switched, whatever the script said.

// doubt returns why the bench cannot be trusted; empty if it can.
func (m *Machine) doubt(now time.Duration, in *Inputs) string {
	switch {
	case now < m.now:
		return "the time went backwards"
	case now-m.now > DeadMan:
		return fmt.Sprintf("the program stood still for %v", (now - m.now).Round(time.Millisecond))
	case in.Trouble != "":
		return in.Trouble
	case !in.StopReleased:
		return "the emergency stop is pressed, or its contact is open"
	case !in.Arm:
		return "disarmed at the bench"
	case in.Age > StaleMost || in.Age < 0:
		return fmt.Sprintf("nothing was measured for %v", in.Age.Round(time.Millisecond))
	}
	if why := m.doubtSupply(now, in.SupplyV); why != "" {
		return why
	}
	if why := m.doubtReadBack(now, in.ReadBack); why != "" {
		return why
	}
	return m.doubtTerminals(now, &in.Terminals)
}

// doubtSupply returns why the bench supply is no good.
func (m *Machine) doubtSupply(now time.Duration, v float64) string {
	l := &m.b.Limits
	low := l.SupplyLowV
	if start := m.b.line(RelayStart, ""); m.script.CrankSource == SupplyDip && start >= 0 &&
		(m.out.Has(start) || m.lines[start].ever && now-m.lines[start].switched < DipAfter) {
		low = l.DipLowV
	}
	if !(v >= low && v <= l.SupplyHighV) {
		return fmt.Sprintf("the bench supply is at %.2f V, want %g to %g V", v, low, l.SupplyHighV)
	}
	return ""
}

// doubtReadBack returns which relay is not as it was switched.
func (m *Machine) doubtReadBack(now time.Duration, closed Set) string {
	for i := range m.b.Outputs {
		o := &m.b.Outputs[i]
		want, since, within := m.out.Has(i), m.lines[i].switched, ReadBackWithin
		if o.Role == Watchdog {
			want, since, within = m.armed(), m.pulsing, WarmUp
		}
		if o.ReadBack && closed.Has(i) != want && (now-since > within || !m.lines[i].ever && o.Role != Watchdog) {
			return fmt.Sprintf("line %s is switched %s and its contact says otherwise", o.Name, onOff(want))
		}
	}
	return ""
}

// doubtTerminals returns which terminal does not follow its relay.
func (m *Machine) doubtTerminals(now time.Duration, seen *[terminals]Seen) string {
	for k := range terminals {
		if !m.b.Terminals[k] {
			continue
		}
		want, within := SeenDead, ReleaseWithin
		i := m.b.line(RelayAccessory+Role(k), "")
		moved := i >= 0 && m.lines[i].ever
		if i >= 0 && m.out.Has(i) {
			want, within = SeenLive, FollowWithin
		}
		if seen[k] != want && !(moved && now-m.lines[i].switched <= within) {
			return fmt.Sprintf("terminal %s is switched %s and its lead shows %s", terminalName(k), onOff(want == SeenLive), seen[k])
		}
	}
	return ""
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// forbids returns why lines must not be on together, or no longer; empty if they may.
func (m *Machine) forbids(want Set) string {
	has := func(r Role) bool {
		i := m.b.line(r, "")
		return i >= 0 && want.Has(i)
	}
	switch {
	case has(RelayStart) && !has(RelayOn):
		return "start without on"
	case has(RelayStart) && has(RelayAccessory):
		return "start and accessory at once"
	}
	loads := 0
	for i := range m.b.Outputs {
		if !want.Has(i) {
			continue
		}
		o, lasts := &m.b.Outputs[i], m.now-m.lines[i].switched
		on := m.out.Has(i)
		switch {
		case o.Role == RelayStart && on && lasts > m.b.Limits.StartMax-DropWithin:
			return "the start lasts too long"
		case o.Role == RelayStart && !on && !m.mayStart():
			return "the start has not rested, or a test load was on just now"
		case o.Role == TestLoad && on && lasts > m.b.Limits.LoadMax-DropWithin:
			return fmt.Sprintf("line %s is on too long", o.Name)
		case o.Role == TestLoad && !on && !m.apartFromStart():
			return fmt.Sprintf("line %s right after a start", o.Name)
		case o.Role == TestLoad && !m.bears(i, 0):
			return fmt.Sprintf("line %s is too hot", o.Name)
		}
		if o.Role == TestLoad {
			loads++
			if b := m.b.line(BleedResistor, o.Slot); b >= 0 && want.Has(b) {
				return fmt.Sprintf("load and bleed resistor of slot %s at once", o.Slot)
			}
		}
	}
	switch {
	case loads > 1:
		return "two test loads at once"
	case loads > 0 && has(RelayStart):
		return "a test load in a start"
	}
	return ""
}
