package protocol

// Kind says what a document is. A bench description has the same kind whether
// it is the retained one or a result.
type Kind string

// The kinds of document.
const (
	KindPresence   Kind = "presence"
	KindBench      Kind = "bench"
	KindNow        Kind = "now"
	KindWaveform   Kind = "waveform"
	KindTransition Kind = "transition"
	KindCrank      Kind = "crank"
	KindCycle      Kind = "cycle"
	KindVerdict    Kind = "verdict"
	KindBenchFault Kind = "bench-fault"
	KindClock      Kind = "clock"
	KindGap        Kind = "gap"
	KindReceipt    Kind = "receipt"
	KindMarks      Kind = "marks"
	KindRequest    Kind = "request"
	KindReply      Kind = "reply"
)

// State is what is known of a slot or lead. Unknown is not dead.
type State string

// The states; a Transition has only the first two.
const (
	Live    State = "live"
	Dead    State = "dead"
	Unknown State = "unknown"
)

// Subject is what the leads are on.
type Subject string

// The subjects.
const (
	OffVehicle Subject = "off-vehicle" // a box or training board on a bench supply
	Vehicle    Subject = "vehicle"     // a person turns the ignition key
)

// CrankSource is what pulls the supply down in a start.
type CrankSource string

// The crank sources.
const (
	CrankEngine      CrankSource = "engine"
	CrankSupplyDip   CrankSource = "supply-dip"   // a bench supply, or a load on it
	CrankContactOnly CrankSource = "contact-only" // nothing: a contact moves at full voltage
)

// Position is a position of the key.
type Position string

// The key positions. Running is "on, engine running".
const (
	PositionOff       Position = "off"
	PositionAccessory Position = "accessory"
	PositionOn        Position = "on"
	PositionStart     Position = "start"
	PositionRunning   Position = "running"
)

// Source says where a key position is known from.
type Source string

// The sources.
const (
	SourceLead     Source = "lead"     // a sense lead on a terminal
	SourceOperator Source = "operator" // a person said so
	SourceScript   Source = "script"   // a scripted cycle set it
	SourceInferred Source = "inferred" // concluded from other leads
)

// Behaviour is what a slot does, as a cycle shows it.
type Behaviour string

// The behaviours.
const (
	NotProven      Behaviour = "not-proven"
	Permanent      Behaviour = "permanent"
	Ignition       Behaviour = "ignition"
	Accessory      Behaviour = "accessory"
	StartOnly      Behaviour = "start-only"
	EngineRunning  Behaviour = "engine-running"
	Awake          Behaviour = "awake"
	SwitchOperated Behaviour = "switch-operated"
	Intermittent   Behaviour = "intermittent"
	NoVolts        Behaviour = "none" // no volts in any position tried
)

// Fuse says how a slot was fitted while it was measured; empty while nobody said.
type Fuse string

// The ways to fit a slot.
const (
	FuseIn    Fuse = "in"
	FuseOut   Fuse = "out"
	FuseBlown Fuse = "blown" // a blown fuse stands in it
)

// SourceFinding says what stands behind a slot's volts.
type SourceFinding string

// The findings of bleed resistor and test load.
const (
	SourceNone           SourceFinding = "none" // no volts there to be tested
	SourceNotProven      SourceFinding = "not-proven"
	SourceFeed           SourceFinding = "feed"
	SourceHighResistance SourceFinding = "high-resistance" // a real feed behind a bad joint
	SourceGhost          SourceFinding = "ghost"           // collapses under the bleed resistor
)

// Seen is a peculiarity noticed on a slot or transition. The list may grow
// within v1.
type Seen string

// The peculiarities.
const (
	SeenPulsed       Seen = "pulsed"
	SeenTestPulses   Seen = "test-pulses"
	SeenRunDown      Seen = "run-down"
	SeenGhost        Seen = "ghost"
	SeenIntermittent Seen = "intermittent"
	SeenSpikes       Seen = "spikes"
)

// Timing says what an instant's best estimate rests on.
type Timing string

// The kinds of Timing.
const (
	TimingCurve  Timing = "curve"  // the lead's filter curve through the samples
	TimingLimits Timing = "limits" // the middle of the bracket
)

// Ended says why a cycle became final; empty (null) while it is not.
type Ended string

// The ends of a cycle.
const (
	EndedSettled     Ended = "settled"     // every slot settled
	EndedWatch       Ended = "watch"       // the watch after key-off was over
	EndedNext        Ended = "next"        // the next cycle began
	EndedInterrupted Ended = "interrupted" // the bench restarted
)

// MarshalJSON writes null for a cycle that has not ended.
func (e Ended) MarshalJSON() ([]byte, error) { return OrNull(e).MarshalJSON() }

// PresenceState says whether a bench is reachable.
type PresenceState string

// The states of presence.
const (
	Online  PresenceState = "online"
	Offline PresenceState = "offline" // it said goodbye
	CutOff  PresenceState = "cut-off" // the will: the connection broke
)
