package judge

import (
	"cmp"
	"reflect"
	"slices"
)

// Outcome is the word of a verdict; the lower, the worse.
type Outcome int

// The outcomes.
const (
	Fail Outcome = iota
	Unproven
	Marginal
	Pass
)

// String is the outcome as documents carry it.
func (o Outcome) String() string { return [...]string{"fail", "not-proven", "marginal", "pass"}[o] }

// Expected is what a slot should do, as the box file says.
type Expected struct {
	Behaviour Behaviour
	// StaysOnMinS and StaysOnMaxS bound the time on after key-off, in seconds; 0 and
	// nil: no bound.
	StaysOnMinS float64
	StaysOnMaxS *float64
	OffInStart  *bool // nil: not judged
	// FeedSide is the hot side, Middle with three blades; empty: any.
	FeedSide string
}

// Middle is the feed side of a fuse with three blades: no lead is there.
const Middle = "middle"

// BoxSlot is a slot of a box under test: what it should do and what was seen of it.
type BoxSlot struct {
	Name     string
	Expected Expected
	// Avoid is why nobody may touch it; empty: it may be touched.
	Avoid string
	// Network: a control unit switches it, and this bench cannot wake that.
	Network bool
	// Match is the same for slots whose contacts should be alike.
	Match string
	// Rounds are the key cycles in which it had a lead.
	Rounds []Round
}

// Fuse is how a slot was fitted; empty: nobody said.
type Fuse string

// The ways to fit a slot.
const (
	FuseIn    Fuse = "in"
	FuseOut   Fuse = "out"
	FuseBlown Fuse = "blown"
)

// Round is what one key cycle shows of a slot.
type Round struct {
	Slot
	Number    int      // of the key cycle, the same in every slot
	Positions []string // where the key was
	Fuse      Fuse
	Battery   *Dip   // how low the battery sense lead fell; nil: not measured
	Leads     []Side // each lead in the slot
	Amiss     []Amiss
	Source    *Source // nil: neither bleed resistor nor test load was tried
}

// Side is what a lead shows of the contact that it is on.
type Side struct {
	Name string // as seen; empty where nobody said
	// LiveIn and DeadIn are the key positions at whose end it was live, or had no volts.
	LiveIn, DeadIn []string
	// Proven: it was live in this round, or in one before and one after (prove, test,
	// prove). A lead that has no volts proves nothing else.
	Proven bool
}

// Source is what bleed resistor and test load showed behind a slot's volts.
type Source struct {
	Ghost bool // they collapsed under the bleed resistor
	// Path is the resistance from the battery sense lead to the slot; nil without a
	// test load.
	Path *Path
}

// Path is a resistance with its standard uncertainty (k = 1), in milliohms.
// IncludesProbe: the load's current flowed through the probe, whose contact is in it.
type Path struct {
	MOhm, UMOhm   float64
	IncludesProbe bool
}

// Check is a part of the test that may be left out: then it is not held against a slot
// that it was not made. What was found all the same counts. Without that a slot passes
// only by what was measured.
type Check string

// The checks. What a slot does, and when, is never left out.
const (
	CheckContact Check = "contact" // contact resistance, and ghosts
	CheckSides   Check = "sides"   // feed side, back-feed, blown fuse: two leads
	CheckStart   Check = "start"   // how far it falls while cranking
)

// Limits are what slots are held to where their box file says nothing.
type Limits struct {
	// A contact of up to ContactPassMOhm passes; above ContactFailMOhm, or more than
	// ContactAboveMOhm above matching slots, it fails.
	ContactPassMOhm, ContactFailMOhm, ContactAboveMOhm float64
	// ProbeMOhm is the most that a probe's own contact has.
	ProbeMOhm float64
	// OnWithinS is from the key's move until a slot that follows it is live.
	OnWithinS float64
	// FallV is how much further than the battery a slot may fall while cranking.
	FallV   float64
	LeftOut []Check
}

// DefaultLimits are common practice, no published source; FallV is the usual limit for
// a whole circuit (handbook.VoltDropLimits).
func DefaultLimits() Limits {
	return Limits{ContactPassMOhm: 30, ContactFailMOhm: 60, ContactAboveMOhm: 20, ProbeMOhm: 50, OnWithinS: 0.1, FallV: 1}
}

// Same reports whether two limits hold figures to the same, whatever they leave out.
func (l *Limits) Same(x *Limits) bool {
	a, b := *l, *x
	a.LeftOut, b.LeftOut = nil, nil
	return reflect.DeepEqual(a, b)
}

func (l *Limits) leftOut(c Check) bool { return slices.Contains(l.LeftOut, c) }

// Verdict is what is said of one slot.
type Verdict struct {
	Slot    string
	Outcome Outcome // the worst that a reason makes of it
	// Reasons are all there are, the weightiest first.
	Reasons []VerdictReason
}

// Tested reports whether the bench could test the slot at all.
func (v *Verdict) Tested() bool {
	return v.Reasons[0].Code != Avoided && v.Reasons[0].Code != Untestable
}

// BoxVerdict is what is said of a box.
type BoxVerdict struct {
	Slots []Verdict
	// Outcome is the worst of all slots: a box with a slot that cannot be tested here
	// is not proven. OfTested is the worst of the others; Unproven where there is none.
	Outcome, OfTested Outcome
	Count             [Pass + 1]int // of the tested slots, by outcome
	Untested          int           // slots that this bench cannot test
	// Limits are what slots were held to; nil where nobody knows any more.
	Limits     *Limits
	LeftOut    []Check
	NotVisited []string // key positions that no round reached
}

// JudgeBox holds every slot to what it should do.
func JudgeBox(l Limits, slots []BoxSlot) BoxVerdict {
	out := BoxVerdict{Outcome: Pass, OfTested: Pass, Limits: &l, LeftOut: l.LeftOut, NotVisited: notVisited(slots)}
	b := bench{limits: l, slots: slots, joined: joined(slots)}
	for i := range slots {
		out.Slots = append(out.Slots, b.judge(&slots[i]))
	}
	b.crossed(out.Slots)
	for i := range out.Slots {
		v := &out.Slots[i]
		v.settle()
		out.Outcome = min(out.Outcome, v.Outcome)
		if !v.Tested() {
			out.Untested++
			continue
		}
		out.OfTested = min(out.OfTested, v.Outcome)
		out.Count[v.Outcome]++
	}
	if out.Untested == len(slots) {
		out.Outcome, out.OfTested = Unproven, Unproven
	}
	return out
}

// bench is what the slots of one test have in common.
type bench struct {
	limits Limits
	slots  []BoxSlot
	joined bool
}

func (b *bench) judge(s *BoxSlot) Verdict {
	v := verdict{Verdict: Verdict{Slot: s.Name}, bench: b, slot: s}
	switch {
	case s.Avoid != "":
		// Nothing else is said of it: no figure may tempt anybody.
		v.add(VerdictReason{Code: Avoided, Makes: Unproven})
	case s.Network:
		v.add(VerdictReason{Code: Untestable, Makes: Unproven})
	case len(s.Rounds) == 0:
		v.add(VerdictReason{Code: NoLead, Makes: Unproven})
	default:
		v.rounds()
		v.behaviour()
		if s.Expected.Behaviour != NoVolts && !s.silent() {
			v.times()
			v.falls()
			v.contact()
			v.sides()
		}
	}
	return v.Verdict
}

// verdict is one in the making.
type verdict struct {
	Verdict
	bench *bench
	slot  *BoxSlot
}

// add notes a reason once.
func (v *verdict) add(r VerdictReason) {
	if !slices.Contains(v.Reasons, r) {
		v.Reasons = append(v.Reasons, r)
	}
}

// silent reports whether no round saw volts in the slot: then nothing else can be said.
func (s *BoxSlot) silent() bool {
	return !slices.ContainsFunc(s.Rounds, func(r Round) bool {
		return r.Behaviour != NoVolts && (r.Behaviour != NotProven || len(r.Leads) == 0 || anyLive(r.Leads) != "")
	})
}

// settle orders the reasons and takes the worst of them.
func (v *Verdict) settle() {
	slices.SortStableFunc(v.Reasons, func(a, b VerdictReason) int { return cmp.Compare(a.Makes, b.Makes) })
	v.Outcome = v.Reasons[0].Makes
}

// notVisited are the positions that no round reached.
func notVisited(slots []BoxSlot) []string {
	missing := []string{"accessory", "on", start, "running"}
	for _, s := range slots {
		for _, r := range s.Rounds {
			missing = slices.DeleteFunc(missing, func(p string) bool { return slices.Contains(r.Positions, p) })
		}
	}
	return missing
}
