package adc

// Input is one thing that the measuring core is told. Kind says which of the
// fields holds; the others are zero. It is one flat value so that a stream of
// samples costs no allocation.
//
// Inputs of one lead come in the order of time. Across leads and kinds they
// come in the order of At as far as the scanners' merge can hold it.
type Input struct {
	Kind InputKind
	// At is when it happened: the end of a sample's window, the moment a blind
	// stretch was found, the moment of a mark, line change or tick.
	At Instant

	Sample Sample
	Blind  Blind
	Mark   Mark
	Line   Line
}

// InputKind tells the kinds of Input apart.
type InputKind uint8

// The kinds of Input.
const (
	SampleInput InputKind = iota + 1 // a verified conversion
	BlindInput                       // a lead cannot be seen since an instant
	MarkInput                        // a key position or note told by someone
	LineInput                        // a relay or load line has changed
	TickInput                        // nothing but the passing of time
)

// Blind says that nothing is known of a lead since an instant; it lasts until
// the lead's next sample. Samples of the lead between Since and now may already
// have been delivered: they are void.
type Blind struct {
	Lead   int
	Since  Instant // end of the last window that is still to be trusted
	Reason BlindReason
}

// BlindReason says why a lead cannot be seen.
type BlindReason uint8

// The reasons of a blind stretch.
const (
	NoAnswer     BlindReason = iota + 1 // the chip does not acknowledge
	BusTrouble                          // the bus is stuck or times out
	ConfigLost                          // the chip lost its registers (brown-out, unplugged and back)
	LateChip                            // the chip was still converting after the data sheet's longest time
	InputsLost                          // samples were dropped on the way (a full queue)
	NotAnswering                        // start-up: the chip has not been seen yet
	WrongChip                           // another chip answers at its address
)

// String returns the reason in words.
func (r BlindReason) String() string {
	switch r {
	case NoAnswer:
		return "chip does not answer"
	case BusTrouble:
		return "bus trouble"
	case ConfigLost:
		return "chip lost its configuration"
	case LateChip:
		return "chip slower than its data sheet"
	case InputsLost:
		return "samples dropped"
	case NotAnswering:
		return "chip not seen yet"
	case WrongChip:
		return "another chip answers at its address"
	}
	return "unknown reason"
}

// Mark is a key position or a note told by someone, not measured.
type Mark struct {
	Position Position // NoPosition for a bare note
	Source   Source
	Note     string
	// End ends the watch after key-off: the open key cycle becomes final.
	End bool
}

// Position is a position of the key.
type Position uint8

// The key positions. Running is "on, engine running": from the end of cranking.
const (
	NoPosition Position = iota
	Off
	Accessory
	On
	Start
	Running
)

// String returns the position's name as messages carry it.
func (p Position) String() string {
	switch p {
	case NoPosition:
		return "none"
	case Off:
		return "off"
	case Accessory:
		return "accessory"
	case On:
		return "on"
	case Start:
		return "start"
	case Running:
		return "running"
	}
	return "invalid"
}

// Source says where a key position is known from.
type Source uint8

// The sources of a key position.
const (
	NoSource       Source = iota
	SourceLead            // a sense lead on a terminal
	SourceOperator        // a person said so
	SourceScript          // a scripted cycle set it
	SourceInferred        // concluded from other leads
)

// String returns the source's name as messages carry it.
func (s Source) String() string {
	switch s {
	case NoSource:
		return "none"
	case SourceLead:
		return "lead"
	case SourceOperator:
		return "operator"
	case SourceScript:
		return "script"
	case SourceInferred:
		return "inferred"
	}
	return "invalid"
}

// Line is the state of a relay or load line of the bench.
type Line struct {
	Name string
	On   bool
}
