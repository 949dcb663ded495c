package protocol

// Cycle is one turn of the key with everything measured in it: the unit of a
// result. Each revision is complete in itself; of one id the highest wins.
type Cycle struct {
	ResultHeader
	Subject Subject `json:"subject"`
	// CrankSource is what pulled the supply down in a start; absent while not said. With
	// contact-only there is no Sag: nothing was tested at low voltage.
	CrankSource CrankSource `json:"crank_source,omitempty"`
	ID          string      `json:"id"`       // see CycleID; never changed
	Revision    int         `json:"revision"` // from 1
	Final       bool        `json:"final"`
	Ended       Ended       `json:"ended"` // null while not final
	// Key lists the positions in the order they were reached, beginning with
	// the first other than off.
	Key   List[KeyMove]   `json:"key"`
	Slots List[CycleSlot] `json:"slots"`
	// Battery is what the battery sense lead did; null without one.
	Battery *CycleLead `json:"battery"`
	// Quiescent is the current after key-off; absent before it, and without a lead that
	// measures a current.
	Quiescent *Quiescent `json:"quiescent,omitempty"`
	// Notes is what people wrote into it.
	Notes List[Note] `json:"notes"`
}

// Note is what somebody wrote into a cycle.
type Note struct {
	AtNS   int64  `json:"at_ns"`
	Text   string `json:"text"`
	Source Source `json:"source"`
}

// KeyMove is the key arriving at a position.
type KeyMove struct {
	Position Position `json:"position"`
	AtNS     int64    `json:"at_ns"`
	UUS      Micros   `json:"u_us"` // standard uncertainty of AtNS
	Source   Source   `json:"source"`
}

// CycleSlot is what a cycle shows of one slot.
type CycleSlot struct {
	Slot      string    `json:"slot"`
	Legend    OrNull    `json:"legend"`         // what the lid says
	Fuse      Fuse      `json:"fuse,omitempty"` // how the slot was fitted; absent while not said
	Behaviour Behaviour `json:"behaviour"`
	// Possible lists the behaviours that remain and DecidedBy the key positions
	// that would decide; both are empty unless the behaviour is not proven.
	Possible  List[Behaviour] `json:"possible"`
	DecidedBy List[Position]  `json:"decided_by"`
	// DINTerminal is the DIN 72552 terminal that the behaviour is that of;
	// null where there is none. See TerminalOf.
	DINTerminal OrNull `json:"din_terminal"`
	// StaysOnS is how long it stayed live after key-off; null where it does not
	// apply (never live, permanent, key not yet off). StaysOnOpen says that it
	// was still live when last seen: then it is a lower bound.
	// StaysOnUMS is its standard uncertainty (k = 1), of both instants together.
	StaysOnS    *Seconds `json:"stays_on_s"`
	StaysOnUMS  *Millis  `json:"stays_on_u_ms"`
	StaysOnOpen bool     `json:"stays_on_open"`
	// OffInStart says that it was dead while cranking though live before; null
	// when no start was seen.
	OffInStart *bool `json:"off_in_start"`
	// Source is what bleed resistor and test load showed; absent where neither was tried.
	Source *SlotSource `json:"source,omitempty"`
	// WatchedS is how long the slot was watched in this cycle.
	WatchedS Seconds         `json:"watched_s"`
	Seen     List[Seen]      `json:"seen"`
	Leads    List[CycleLead] `json:"leads"`
}

// SlotSource is what stands behind a slot's volts, with the key at Position.
type SlotSource struct {
	Finding  SourceFinding `json:"finding"`
	Position Position      `json:"position"`
	// PathMOhm is the resistance from the battery sense lead to the slot, PathUMOhm its
	// standard uncertainty (k = 1); null without a test load. IncludesProbe: the load's
	// current flowed through the probe, whose contact is then in it.
	PathMOhm      *MilliOhms `json:"path_mohm"`
	PathUMOhm     *MilliOhms `json:"path_u_mohm"`
	IncludesProbe bool       `json:"includes_probe"`
}

// CycleLead is what a cycle shows of one lead.
type CycleLead struct {
	Lead string `json:"lead"`
	Side OrNull `json:"side"` // left, right, upper, lower; null for a slot's only lead
	// StateBefore is live or dead, before the first of the transitions; absent where it
	// was not seen, and of the battery sense lead.
	StateBefore State            `json:"state_before,omitempty"`
	Transitions List[Transition] `json:"transitions"`
	// LeftOut is how many transitions are not listed, from among the first and the
	// latest: all were sent by themselves.
	LeftOut int         `json:"left_out"`
	Crank   List[Crank] `json:"crank"`
	// Levels is what it read in each key position once it had come to rest there, over the same
	// time as the other lead of its slot: of the first stretch without a test load in which the
	// most of them were at rest; a position where it was not is not in it. Wave is what it read
	// through its deepest start. Both are in the final revision only, and absent where
	// there is nothing to tell.
	Levels List[PositionLevel] `json:"levels,omitempty"`
	Wave   *CrankWave          `json:"wave,omitempty"`
}

// PositionLevel is what a lead read, at rest, in a key position.
type PositionLevel struct {
	Position Position `json:"position"` // never start, which nothing is at rest in
	State    State    `json:"state"`    // live or dead
	V        Volts    `json:"v"`        // to the mV
	UV       Volts    `json:"u_v"`      // standard uncertainty of V (k = 1)
	// UMovedV is the standard uncertainty (k = 1) of the difference between V and that of the
	// other lead of the slot, as far as it comes of a supply that moved while they were read.
	UMovedV Volts `json:"u_moved_v,omitempty"`
}

// CrankWave is a lead's voltage through a start, from up to 0.5 s before it to 1 s after it
// where so much was kept: stretches that follow one another, the first from BeginNS. Each
// ends EndMS after that, and V is its mean. The least sample is a stretch of its own.
type CrankWave struct {
	Crank   string       `json:"crank"` // the start's id
	BeginNS int64        `json:"begin_ns"`
	EndMS   List[Millis] `json:"end_ms"` // to 0.1 ms
	V       List[Volts]  `json:"v"`      // to the mV
	// ApartMS is the longest time between two samples' windows: a dip may lie in it.
	ApartMS Millis `json:"apart_ms"`
}

// CrankWaveMost bounds the stretches of a CrankWave.
const CrankWaveMost = 96

func (*Cycle) kind() Kind { return KindCycle }
