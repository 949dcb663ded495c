package drivetest

import (
	"fmt"
	"time"
)

// Limits are those of a bench, as adc/DRIVE.md has them.
type Limits struct {
	StartMax, StartRest time.Duration
	StartsMost          int // in StartsWithin, in one run of the program
	StartsWithin        time.Duration
	LoadMax             time.Duration
	LoadDuty            float64 // greatest part of the time
	HeatJ               float64 // that a load may hold for each watt of its rating
	SupplyHighV         float64
}

// The times within which everything must be off, from adc/DRIVE.md.
const (
	dropWithin = 200 * time.Millisecond // after the last pulse
	standMost  = 100 * time.Millisecond // that the loop may stand still
	staleMost  = 250 * time.Millisecond // without samples
	apart      = 80 * time.Millisecond  // between a start and a load: 0.1 s, less what a write may be late
)

// Judge holds what carries current to the limits, at every instant. It is told what the
// program sees, and forms its own opinion of whether anything may be on.
type Judge struct {
	lines []Line
	l     Limits
	fault string

	now     time.Duration
	supplyV float64
	on      []carried
	starts  []time.Duration
	began   time.Duration // the program

	turned    time.Duration // its loop last did
	wasOff    bool          // the bench was seen disarmed since the last doubt
	permitted bool
	last      time.Duration // when something was last permitted, or the watchdog was last fed while it was
}

// carried is what one line has carried.
type carried struct {
	on, ever     bool
	since, until time.Duration
	heatJ        float64
}

func newJudge(lines []Line, l Limits, at time.Duration) *Judge {
	return &Judge{lines: lines, l: l, now: at, began: at, supplyV: l.SupplyHighV, on: make([]carried, len(lines))}
}

// Fault is the first that was found; empty if nothing was.
func (j *Judge) Fault() string { return j.fault }

func (j *Judge) find(format string, args ...any) {
	if j.fault == "" {
		j.fault = fmt.Sprintf("at %v: ", j.now) + fmt.Sprintf(format, args...)
	}
}

// Begins says that the program begins anew, and knows nothing of before.
func (j *Judge) Begins() {
	j.began, j.turned, j.starts = j.now, j.now, j.starts[:0]
	j.permitted, j.wasOff = false, false
}

// View is what the program can see at a turn of its loop.
type View struct {
	Armed, StopReleased bool
	// SupplyV is the bench supply, LowV the least that it may have now.
	SupplyV, LowV float64
	Age           time.Duration // of the latest sample
	// Unknown: the program has begun within a second, and has not yet seen supply and
	// terminals: then who arms it waits.
	Unknown bool
	// Doubt: the clock went back, or a contact has contradicted its line for too long.
	Doubt bool
}

// Turn is told what the program sees, before it acts. Supplies above the limits are
// told by Supply.
func (j *Judge) Turn(v View) {
	sound := v.StopReleased && v.SupplyV >= v.LowV && v.SupplyV <= j.l.SupplyHighV && v.Age <= staleMost && !v.Doubt && j.now-j.turned <= standMost
	j.turned = j.now
	switch {
	case j.permitted:
		j.permitted = v.Armed && sound
	case !v.Armed:
		j.wasOff = true
	case j.wasOff && v.Unknown && v.StopReleased:
	case j.wasOff:
		j.permitted, j.wasOff = sound, false
	}
	if j.permitted {
		j.last = j.now
	}
}

// fed is told that the watchdog's line has changed: the supply may last from then, late in a
// turn as it may be, but not where the loop has not turned and something else feeds it.
func (j *Judge) fed() {
	if j.permitted && j.now-j.turned <= standMost {
		j.last = j.now
	}
}

// Off says that the program itself says that everything is off.
func (j *Judge) Off() { j.permitted = false }

// Turned is told that the program has acted; written, that every line took what was
// written to it.
func (j *Judge) Turned(written bool) {
	for i := range j.on {
		if j.on[i].on && !j.permitted && written {
			j.find("%s carries current and nothing may", j.lines[i].Name)
		}
	}
}

// Supply is told the voltage that loads are at.
func (j *Judge) Supply(v float64) { j.supplyV = v }

// pass judges what time has passed.
func (j *Judge) pass(to time.Duration) {
	for i := range j.lines {
		j.heat(i, to-j.now)
	}
	if to > j.now {
		j.together()
	}
	j.now = to
	for i, l := range j.lines {
		x := &j.on[i]
		if !x.on {
			continue
		}
		lasted := to - x.since
		switch {
		case l.Kind == Start && lasted > j.l.StartMax, l.Kind == Load && lasted > j.l.LoadMax:
			j.find("%s carries current for %v", l.Name, lasted)
		case to-j.last > dropWithin:
			j.find("%s carries current %v after anything was last permitted", l.Name, to-j.last)
		case l.Kind == Load && x.heatJ > j.l.HeatJ*l.Watt:
			j.find("%s holds %.0f J", l.Name, x.heatJ)
		}
	}
}

// heat lets a load take up or give off heat.
func (j *Judge) heat(line int, during time.Duration) {
	l, x := &j.lines[line], &j.on[line]
	if l.Kind != Load {
		return
	}
	watts := -l.Watt
	if x.on {
		watts += j.supplyV * j.supplyV / l.Ohm
	}
	x.heatJ = max(0, x.heatJ+watts*during.Seconds())
}

// together finds contradictions that have lasted. Where nothing may be on, only how soon
// everything is off counts.
func (j *Judge) together() {
	if !j.permitted {
		return
	}
	var has [Watchdog + 1]bool
	for i, l := range j.lines {
		has[l.Kind] = has[l.Kind] || j.on[i].on
	}
	if has[Start] && (!has[On] || has[Accessory]) {
		j.find("start without on, or with accessory")
	}
}

// switched judges what begins to carry current, anew or again with its line as it was,
// and remembers what ends.
func (j *Judge) switched(line int, on, anew bool) {
	l, x := &j.lines[line], &j.on[line]
	x.on = on
	if !on {
		x.until = j.now
		return
	}
	if !j.permitted {
		j.find("%s begins to carry current and nothing may", l.Name)
	}
	off, lasted, ever := j.now-x.until, x.until-x.since, x.ever
	if !anew && off <= standMost {
		return // cable or emergency stop interrupted it so shortly that nobody saw it
	}
	x.since, x.ever = j.now, true
	switch l.Kind {
	case Start:
		j.starting(off, ever)
	case Load:
		if rest := time.Duration(float64(lasted) * (1/j.l.LoadDuty - 1)); ever && off < rest {
			j.find("%s after %v of rest, want %v", l.Name, off, rest)
		}
	}
	for i, other := range j.lines {
		contrary := l.Kind == Start && other.Kind == Load || l.Kind == Load && other.Kind == Start
		if off := j.now - j.on[i].until; contrary && j.on[i].ever && (j.on[i].on || off < apart) {
			j.find("%s %v after %s", l.Name, off, other.Name)
		}
		if i == line || !j.on[i].on {
			continue
		}
		if l.Kind == Load && other.Kind == Load || l.Slot == other.Slot && l.Kind+other.Kind == Load+Bleed && l.Slot != "" {
			j.find("%s and %s at once", l.Name, other.Name)
		}
	}
}

// starting judges a start by those before it.
func (j *Judge) starting(off time.Duration, ever bool) {
	if off < j.l.StartRest && ever || j.now-j.began < j.l.StartRest {
		j.find("a start %v after the last, %v after the program began", off, j.now-j.began)
	}
	j.starts = append(j.starts, j.now)
	if n := len(j.starts) - 1 - j.l.StartsMost; n >= 0 && j.now-j.starts[n] < j.l.StartsWithin {
		j.find("%d starts within %v", j.l.StartsMost+1, j.now-j.starts[n])
	}
}
