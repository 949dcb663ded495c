package drive

import "time"

// Seen is what the lead on a terminal shows.
type Seen uint8

// What a lead may show; NotSeen where nothing is known.
const (
	NotSeen Seen = iota
	SeenDead
	SeenLive
)

// String returns what a lead shows, in words.
func (s Seen) String() string { return [...]string{"nothing", "no volts", "live"}[s] }

// Inputs is what the bench sees. Whatever permits something is true only while that
// is known: a wire that is off, or a line that cannot be read, forbids.
type Inputs struct {
	// Arm is the key switch at the bench, or a confirmation typed there.
	Arm bool
	// StopReleased is the second contact of the emergency stop.
	StopReleased bool
	// SupplyV is the battery sense lead; NaN while it is not known.
	SupplyV float64
	// ReadBack is the read-back contacts that are closed, by output line.
	ReadBack Set
	// Terminals is what the leads on the terminals 75, 15 and 50 show.
	Terminals [terminals]Seen
	// QuietFor is how long no slot has changed.
	QuietFor time.Duration
	// Age is how old the latest sample is.
	Age time.Duration
	// Trouble is why a line could not be written; empty if all could.
	Trouble string
}

// Event is something the machine did. Output is a line of Bench.Outputs.
type Event struct {
	Kind     EventKind
	At       time.Duration
	Step     int
	Position Position
	Output   int
	On       bool
	Why      string
}

// EventKind tells the kinds of Event apart.
type EventKind uint8

// The kinds of Event.
const (
	Ready EventKind = iota + 1 // everything is off, and it may be armed
	Armed
	Moved     // the relays went to Position, in Step
	Switched  // Output went on or off
	Waiting   // the next step waits until start or load has rested
	Unsettled // Step was over before the slots had settled
	Latched   // everything went off, for Why; it must be armed again
	Ended     // the script is over, everything is off
)
