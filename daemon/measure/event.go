package measure

import (
	"time"

	"keyturn/adc"
)

// Event is something the engine found. The concrete types are
// *StateChanged, *Transition, *TransitionWithdrawn, *KeyMoved, *Crank,
// *CrankWithdrawn, *Cycle and *Faulted.
type Event interface{ event() }

// State is what is known of a lead.
type State uint8

// The states of a lead. Unknown is not dead.
const (
	Unknown State = iota
	Dead
	Live
)

// String returns the state's name as messages carry it.
func (s State) String() string {
	switch s {
	case Dead:
		return "dead"
	case Live:
		return "live"
	}
	return "unknown"
}

// Seen is a set of peculiarities noticed on a lead or slot.
type Seen uint16

// The peculiarities. They stand beside the behaviour, never instead of it.
const (
	SeenPulsed       Seen = 1 << iota // switched on and off too fast to be told as transitions
	SeenTestPulses                    // short pulses of a self-testing output
	SeenRunDown                       // a capacitor ran down after the source opened
	SeenGhost                         // volts without strength
	SeenIntermittent                  // contact lost and found again
	SeenSpikes                        // single samples off the line, refused
)

// Words returns the peculiarities by name, in a fixed order.
func (s Seen) Words() []string {
	var words []string
	for i, w := range [...]string{"pulsed", "test-pulses", "run-down", "ghost", "intermittent", "spikes"} {
		if s&(1<<i) != 0 {
			words = append(words, w)
		}
	}
	return words
}

// StateChanged says that the state of a lead, as it stands now, has changed, or
// why it is unknown.
type StateChanged struct {
	Lead   int
	State  State
	At     adc.Instant
	Reason string // why it is unknown; else empty
}

// Timing says what an instant's best estimate rests on.
type Timing uint8

// The kinds of Timing.
const (
	TimingLimits Timing = iota // the middle of the bracket
	TimingCurve                // the lead's filter curve through the samples
)

// Transition is a lead going live or dead: the instant of the equivalent step,
// the ideal step that leaves the lead's filter as the contact has left it once it
// has settled. A contact that bounced touched first up to its bounce earlier.
type Transition struct {
	// ID names it for good: the lead and NotBefore's millisecond.
	ID    string
	Lead  int
	State State // Live or Dead
	// At is the best estimate; the true instant lies in [NotBefore, NotAfter].
	At, NotBefore, NotAfter adc.Instant
	// U is the standard uncertainty of At (k = 1).
	U      time.Duration
	Timing Timing
	Seen   Seen
}

// TransitionWithdrawn takes a Transition back: later samples showed that it was
// none (part of pulsing, or of samples found to be void).
type TransitionWithdrawn struct {
	ID   string
	Lead int
	Why  string
}

// KeyMoved is the key arriving at a position.
type KeyMoved struct {
	Position adc.Position
	At       adc.Instant
	U        time.Duration // standard uncertainty (k = 1)
	Source   adc.Source
}

// Below is the time a lead spent under a limit during a start.
type Below struct {
	LimitV float64
	// Time is the time under LimitV; TimeMin and TimeMax that under LimitV less
	// and plus the standard uncertainty of the voltage.
	Time, TimeMin, TimeMax time.Duration
	// VoltSeconds is the area between LimitV and the voltage while under it.
	VoltSeconds float64
}

// Crank is what one lead did during one start.
type Crank struct {
	ID                               string
	Lead                             int
	BeginsNotBefore, BeginsNotAfter  adc.Instant
	Ends                             adc.Instant
	BeforeV, MinV, MinUV, HiddenDipV float64
	MinAt                            adc.Instant
	PlateauV                         float64
	// LevelUV is the standard uncertainty (k = 1) of BeforeV and PlateauV.
	LevelUV float64
	// Ripple is what the compression strokes made of the plateau; valid if
	// HasRipple: it stood out. Only the battery sense lead has it.
	Ripple    Ripple
	HasRipple bool
	Below     []Below
	// Recovered is the time from Ends until the lead was back; negative if it
	// was not seen to recover.
	Recovered time.Duration
	// AtOrBelow says that the minimum was sampled too slowly to be a value: the
	// true one lies at or below MinV.
	AtOrBelow bool
	// NotMeasured says why there are no figures; empty if there are.
	NotMeasured string
}

// CrankWithdrawn takes a Crank back.
type CrankWithdrawn struct {
	ID   string
	Lead int
	Why  string
}

// Behaviour is what a slot does, as this cycle shows it.
type Behaviour uint8

// The behaviours.
const (
	NotProven Behaviour = iota
	Permanent
	Ignition
	AccessoryFeed
	StartOnly
	EngineRunning
	Awake
	SwitchOperated
	Intermittent
	None
)

// String returns the behaviour's name as messages carry it.
func (b Behaviour) String() string {
	names := [...]string{"not-proven", "permanent", "ignition", "accessory", "start-only",
		"engine-running", "awake", "switch-operated", "intermittent", "none"}
	if int(b) < len(names) {
		return names[b]
	}
	return "invalid"
}

// Ended says why a cycle became final.
type Ended uint8

// The ends of a cycle; NotEnded while it is not final.
const (
	NotEnded Ended = iota
	Settled
	Watched
	NextCycle
	Interrupted
)

// String returns the end's name as messages carry it.
func (e Ended) String() string {
	names := [...]string{"", "settled", "watch", "next", "interrupted"}
	if int(e) < len(names) {
		return names[e]
	}
	return "invalid"
}

// Cycle is one turn of the key with everything measured in it. Each revision
// is complete in itself; the highest wins.
type Cycle struct {
	Begin    adc.Instant // first position other than off; with the boot it is the id
	Revision int
	Final    bool
	Ended    Ended
	Key      []KeyMoved
	Notes    []Note // what people wrote into it
	Slots    []SlotResult
	// Battery is what the battery sense lead did; nil without one.
	Battery *LeadResult
	// Quiescent is what flowed after key-off; nil before it, and without a lead that
	// measures a current.
	Quiescent *Quiescent
}

// Note is what somebody wrote into a cycle.
type Note struct {
	At     adc.Instant
	Text   string
	Source adc.Source
}

// SlotResult is what a cycle shows of one slot.
type SlotResult struct {
	Slot      int // index into Params.Slots
	Behaviour Behaviour
	Possible  []Behaviour    // where Behaviour is NotProven
	DecidedBy []adc.Position // the positions that would decide
	// StaysOn is how long it stayed live after key-off; valid if HasStaysOn.
	// StaysOnOpen says that it was still live when last seen.
	// StaysOnU is its standard uncertainty (k = 1).
	StaysOn     time.Duration
	StaysOnU    time.Duration
	HasStaysOn  bool
	StaysOnOpen bool
	// OffInStart: dead while cranking though live before; valid if a start was
	// seen (HasStart).
	OffInStart, HasStart bool
	// Watched is how long the slot was watched in this cycle.
	Watched time.Duration
	Seen    Seen
	Leads   []LeadResult
}

// LeadResult is what a cycle shows of one lead of a slot.
type LeadResult struct {
	Lead int
	// Before is its state when the watch began, before the first of its transitions.
	Before      State
	Transitions []Transition
	// LeftOut is how many transitions there were between the first of them and the
	// latest that are not among them.
	LeftOut int
	Cranks  []Crank
	// Levels are what it read in each position that it was steady in, together with the other
	// lead of its slot if that was ever steady with it, and Wave its deepest start; in the
	// final revision only.
	Levels []PositionLevel
	Wave   *Wave
}

// Faulted says that the engine refused inputs of a lead or took a lead for
// faulty. It is sent at the first of a kind, then at most every ten seconds with
// the count since, and at the end with what is left.
type Faulted struct {
	Lead   int // -1 for the bench as a whole
	At     adc.Instant
	Reason string
	Count  int
}

func (*StateChanged) event()        {}
func (*Transition) event()          {}
func (*TransitionWithdrawn) event() {}
func (*KeyMoved) event()            {}
func (*Crank) event()               {}
func (*CrankWithdrawn) event()      {}
func (*Cycle) event()               {}
func (*Faulted) event()             {}
