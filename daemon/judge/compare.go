package judge

import "slices"

// Behaviour is what a slot does, in the words of the documents.
type Behaviour string

// The behaviours.
const (
	NotProven      Behaviour = "not-proven"
	NoVolts        Behaviour = "none"
	Permanent      Behaviour = "permanent"
	Ignition       Behaviour = "ignition"
	Accessory      Behaviour = "accessory"
	StartOnly      Behaviour = "start-only"
	EngineRunning  Behaviour = "engine-running"
	Awake          Behaviour = "awake"
	SwitchOperated Behaviour = "switch-operated"
	Intermittent   Behaviour = "intermittent"
)

// Cycle is what is compared of a key cycle.
type Cycle struct {
	// Positions are those that the key was in, in any order.
	Positions []string
	// Battery is how low the battery sense lead fell; nil where that was not measured.
	Battery *Dip
	// Slots are those under test; of two with one name the first counts.
	Slots []Slot
}

// Slot is what a key cycle shows of a slot. A nil member was not measured or does not
// apply.
type Slot struct {
	Name      string
	Behaviour Behaviour
	Possible  []Behaviour // what remains where it is not proven
	OnAfter   *Time       // from the key's move until it was live
	StaysOn   *Time       // from key-off until it had no volts
	// WatchedOffS is how long it was watched after key-off, in seconds.
	WatchedOffS float64
	OffInStart  *bool // without volts while cranking, though live before
	Lowest      *Dip  // while cranking
}

// Time is a time in seconds with its standard uncertainty (k = 1). An open one had not
// ended when it was last looked at: it is a lower bound.
type Time struct {
	S, US float64
	Open  bool
}

// Dip is the lowest voltage of a start with its standard uncertainty (k = 1). Between
// two samples it may have been lower by HiddenV; at or below V by any amount where
// AtOrBelow.
type Dip struct {
	V, UV, HiddenV float64
	AtOrBelow      bool
}

// What says what a finding is about.
type What int

// What is compared.
const (
	UnderTest     What = iota + 1 // whether both have the slot
	Visited                       // where the key was; of the whole cycle
	BatteryLowest                 // how low the battery fell; of the whole cycle
	Does                          // the behaviour
	OnAfter
	StaysOn
	OffInStart
	Lowest
)

// Why says why two things cannot be compared.
type Why int

// The reasons.
const (
	OnlyBefore   Why = iota + 1 // there in the first only
	OnlyAfter                   // there in the second only
	Undecided                   // not proven, and what is possible leaves it open
	WatchedLess                 // the watch ended before it could have shown
	SwitchUnused                // nothing says that its switch was worked
	NotMeasured                 // not measured in one of them
)

// Finding is a difference, or something that cannot be compared and the reason.
type Finding struct {
	Slot     string // empty: of the whole cycle
	What     What
	Position string // with Visited: where the key was in one of them only
	// Why is zero for a difference.
	Why Why
	// Certain says that a difference is beyond what chance and the usual scatter leave
	// open. One that is not certain is to be looked at, or measured again.
	Certain bool
}

// Comparison is what two key cycles show of each other.
type Comparison struct {
	// Findings are in the order of the first cycle's slots, those of the whole first.
	Findings []Finding
	// Compared counts the slots whose behaviour is known in both.
	Compared int
}

// AsBefore reports whether something was compared and nothing differs.
func (c *Comparison) AsBefore() bool {
	return c.Compared > 0 && !slices.ContainsFunc(c.Findings, func(f Finding) bool { return f.Why == 0 })
}

// Compare says in what the second cycle differs from the first. Compared the other way
// round, the same differs.
func Compare(before, after *Cycle) Comparison {
	var c Comparison
	c.visited(before.Positions, after.Positions, OnlyBefore)
	c.visited(after.Positions, before.Positions, OnlyAfter)
	started := slices.Contains(before.Positions, start) && slices.Contains(after.Positions, start)
	c.measured("", BatteryLowest, before.Battery.span(), after.Battery.span(), dipSlackV, started)
	seen := map[string]bool{}
	for i := range before.Slots {
		b := &before.Slots[i]
		if seen[b.Name] {
			continue
		}
		seen[b.Name] = true
		k := slices.IndexFunc(after.Slots, func(s Slot) bool { return s.Name == b.Name })
		if k < 0 {
			c.open(b.Name, UnderTest, OnlyBefore)
			continue
		}
		a := &after.Slots[k]
		if c.does(b, a) {
			c.times(b, a)
			c.start(b, a, before.Battery, after.Battery, started)
		}
	}
	for i := range after.Slots {
		if name := after.Slots[i].Name; !seen[name] {
			seen[name] = true
			c.open(name, UnderTest, OnlyAfter)
		}
	}
	return c
}

// start is the key position of cranking.
const start = "start"

func (c *Comparison) differs(slot string, what What, certain bool) {
	c.Findings = append(c.Findings, Finding{Slot: slot, What: what, Certain: certain})
}

func (c *Comparison) open(slot string, what What, why Why) {
	c.Findings = append(c.Findings, Finding{Slot: slot, What: what, Why: why})
}

// visited lists the positions that one has and the other has not.
func (c *Comparison) visited(one, other []string, why Why) {
	for i, p := range one {
		if !slices.Contains(other, p) && !slices.Contains(one[:i], p) {
			c.Findings = append(c.Findings, Finding{What: Visited, Position: p, Why: why})
		}
	}
}

// times compares when a slot follows the key.
func (c *Comparison) times(b, a *Slot) {
	alike := b.Behaviour == a.Behaviour
	c.measured(b.Name, OnAfter, b.OnAfter.span(), a.OnAfter.span(), onSlackS, alike)
	x, y := b.StaysOn.span(), a.StaysOn.span()
	n := len(c.Findings)
	switch {
	case c.measured(b.Name, StaysOn, x, y, timeSlackS(x, y), alike):
		if loose(b.Behaviour) || loose(a.Behaviour) {
			c.Findings[n].Certain = false
		}
	case x != nil && y != nil && x.open() != y.open():
		c.open(b.Name, StaysOn, WatchedLess)
	}
}

// start compares what a slot did while cranking: its fall against the battery's own,
// where that is known, so that a battery that is lower today is no difference of every
// slot.
func (c *Comparison) start(b, a *Slot, batteryB, batteryA *Dip, started bool) {
	if b.OffInStart != nil && a.OffInStart != nil && *b.OffInStart != *a.OffInStart {
		// A relay near the voltage at which it lets go holds in one start and not in the next.
		c.differs(b.Name, OffInStart, false)
		return
	}
	x, y := b.Lowest.span(), a.Lowest.span()
	if batteryB == nil || batteryA == nil || x == nil || y == nil {
		n := len(c.Findings)
		if c.measured(b.Name, Lowest, x, y, dipSlackV, started) {
			c.Findings[n].Certain = false // it may have been the battery
		}
		return
	}
	c.measured(b.Name, Lowest, x.less(batteryB.span()), y.less(batteryA.span()), fallSlackV, started)
}

// measured compares two figures and reports whether they differ. Where one of them is
// not there though both were due, they cannot be compared.
func (c *Comparison) measured(slot string, what What, b, a *span, slack float64, due bool) bool {
	differs, certain := unequal(b, a, slack)
	switch {
	case differs:
		c.differs(slot, what, certain)
	case due && (b == nil) != (a == nil):
		c.open(slot, what, NotMeasured)
	}
	return differs
}
