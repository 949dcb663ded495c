package drive

import (
	"fmt"
	"time"
)

// Limits are what the machine never goes beyond, whatever a script says. Zero means
// the default at each.
type Limits struct {
	// SupplyLowV and SupplyHighV bound the bench supply, on the battery sense lead,
	// outside a start. Default 11 and 15: above a discharged battery, and above the
	// 14.7 V of a regulated charge (common practice, no published source).
	SupplyLowV, SupplyHighV float64
	// DipLowV is the least during a start. Default 5: below, relays let go (release
	// at 10 % and must-operate at 60 % of 12 V; value from memory).
	DipLowV float64
	// StartMax is the longest single start, StartRest the rest after it, and before
	// the first, for nobody knows what was before; StartsMost starts at most begin
	// within StartsWithin. Defaults 10 s, 30 s, 5 and 10 min: starters are worked some
	// ten seconds and then let cool (common practice, no published source).
	StartMax, StartRest time.Duration
	StartsMost          int
	StartsWithin        time.Duration
	// LoadMax is the longest a test load is on at a time, LoadDuty the greatest part
	// of the time that it is; before the first it rests as after the longest. Defaults 2 s and 0.1 (common practice, no published source).
	LoadMax  time.Duration
	LoadDuty float64
}

// Limits that no file changes.
const (
	// DeadMan is the longest time between two steps: beyond, the program cannot be
	// said to watch. The watchdog relay must hold for longer, and drop within DropWithin.
	DeadMan = 100 * time.Millisecond
	// DropWithin is how long after the last pulse something may still be on, whatever
	// became of the program. What is limited in time goes off so long before its limit.
	DropWithin = 200 * time.Millisecond
	// StaleMost is how old the latest sample may be.
	StaleMost = 250 * time.Millisecond
	// PulseEvery is how often the watchdog line changes at most.
	PulseEvery = 5 * time.Millisecond
	// WarmUp is how long pulses go out before anything is switched: the supply of the
	// relays comes up.
	WarmUp = 500 * time.Millisecond
	// ReadBackWithin is how long a relay may take to show on its read-back contact:
	// operate and bounce of 12 V relays are below 20 ms (value from memory).
	ReadBackWithin = 100 * time.Millisecond
	// FollowWithin is how long a terminal's lead may take to show its relay: the relay,
	// the lead's filter and two scans, with much to spare.
	FollowWithin = 500 * time.Millisecond
	// ReleaseWithin is how long it may take to show that the relay has let go: a
	// capacitor or a motor on the terminal runs down.
	ReleaseWithin = 3 * time.Second
	// DipAfter is how long after a start the supply may still be low.
	DipAfter = time.Second
	// Apart is how long a start and a test load stay apart, whichever is first: contacts
	// let go and arcs end within 20 ms (value from memory). After a start that pulls the
	// supply down a test load waits for DipAfter: what falls then is the supply, not the
	// slot, and the contact of a load must not close on a supply that sags.
	Apart = 100 * time.Millisecond
	// overloadS is how many times its rated power a test load may hold as heat, in
	// joules a watt: wire-wound resistors bear five times their rated power for 5 s, so
	// 20 (value from memory); half of it.
	overloadS = 10
)

// WithDefaults returns l with every zero limit replaced by its default.
func (l Limits) WithDefaults() Limits {
	set(&l.SupplyLowV, 11)
	set(&l.SupplyHighV, 15)
	set(&l.DipLowV, 5)
	set(&l.StartMax, 10*time.Second)
	set(&l.StartRest, 30*time.Second)
	set(&l.StartsMost, 5)
	set(&l.StartsWithin, 10*time.Minute)
	set(&l.LoadMax, 2*time.Second)
	set(&l.LoadDuty, 0.1)
	return l
}

func set[T comparable](v *T, otherwise T) {
	var zero T
	if *v == zero {
		*v = otherwise
	}
}

// Check returns what is wrong with the limits, defaults taken as set; nil if nothing is.
func (l Limits) Check() error {
	l = l.WithDefaults()
	switch {
	case !(l.DipLowV > 0 && l.DipLowV <= l.SupplyLowV && l.SupplyLowV < l.SupplyHighV && l.SupplyHighV <= 16):
		return fmt.Errorf("supply: want 0 < lowest in a start (%g V) <= lowest (%g V) < highest (%g V) <= 16 V", l.DipLowV, l.SupplyLowV, l.SupplyHighV)
	case l.StartMax <= DropWithin || l.StartMax > 30*time.Second || l.StartRest < l.StartMax:
		return fmt.Errorf("starts: want at most 30 s each (%v), and a rest (%v) no shorter", l.StartMax, l.StartRest)
	case l.StartsMost < 1 || l.StartsMost > startsMost || l.StartsWithin < 0 || l.StartsWithin > time.Hour:
		return fmt.Errorf("starts: want 1 to %d (%d) within at most an hour (%v)", startsMost, l.StartsMost, l.StartsWithin)
	case l.LoadMax <= DropWithin || l.LoadMax > 10*time.Second || !(l.LoadDuty > 0 && l.LoadDuty <= 0.5):
		return fmt.Errorf("test loads: want at most 10 s at a time (%v) and at most half of the time (%g)", l.LoadMax, l.LoadDuty)
	}
	return nil
}

// startsMost is how many starts are remembered.
const startsMost = 20
