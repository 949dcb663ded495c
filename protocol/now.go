package protocol

// Now is the retained state of the moment.
type Now struct {
	Header
	AsOf  AsOf          `json:"as_of"`
	Cycle OrNull        `json:"cycle"` // id of the cycle that is open; null without one
	Key   *KeyMove      `json:"key"`   // the latest position; null while unknown
	Slots List[NowSlot] `json:"slots"`
	Leads List[NowLead] `json:"leads"` // every lead of the bench
	// Refusing says why key cycles are not taken at present, because their results
	// could not be kept; null while they are.
	Refusing OrNull `json:"refusing"`
}

// NowSlot is a slot's state.
type NowSlot struct {
	Slot   string `json:"slot"`
	Legend OrNull `json:"legend"`
	State  State  `json:"state"`
	Reason OrNull `json:"reason"` // why it is unknown; else null
}

// NowLead is a lead's voltage, or the current of one that measures a current: V and UV
// are null there, and MA and UMA absent elsewhere.
type NowLead struct {
	Lead string `json:"lead"`
	V    *Volts `json:"v"`   // null while unknown
	UV   *Volts `json:"u_v"` // standard uncertainty of V (k = 1)
	// MA is the current, positive out of the battery; absent while unknown.
	MA  *MilliAmps `json:"ma,omitempty"`
	UMA *MilliAmps `json:"u_ma,omitempty"`
}

// Presence says whether the bench is reachable. The one with CutOff is the
// connection's will: its text was fixed at connect, so its MonoNS is ConnectedNS.
type Presence struct {
	Header
	AsOf        AsOf          `json:"as_of"`
	State       PresenceState `json:"state"`
	ConnectedNS int64         `json:"connected_ns"` // when this connection was made
}

// Waveform is a strip of the voltages for screens. It may be dropped.
type Waveform struct {
	Header
	AsOf   AsOf               `json:"as_of"`
	FromNS int64              `json:"from_ns"` // begin of the first step
	StepMS Millis             `json:"step_ms"`
	Leads  List[WaveformLead] `json:"leads"`
}

// WaveformStepMS is the width of a step in a Waveform.
const WaveformStepMS = 50

// WaveformLead holds the least and greatest voltage of each step; null where
// nothing was sampled. Both lists have one entry a step.
type WaveformLead struct {
	Lead string       `json:"lead"`
	MinV List[*Volts] `json:"min_v"`
	MaxV List[*Volts] `json:"max_v"`
}

func (*Now) kind() Kind      { return KindNow }
func (*Presence) kind() Kind { return KindPresence }
func (*Waveform) kind() Kind { return KindWaveform }
