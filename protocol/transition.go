package protocol

// Transition is a lead going live or dead.
type Transition struct {
	ID string `json:"id"` // the same in the cycle and in the transition result
	Edge
}

// Edge is what is known of a transition's instant: that of the equivalent step.
// The true instant lies in [NotBeforeNS, NotAfterNS]; AtNS is the best estimate.
type Edge struct {
	State       State      `json:"state"` // live or dead
	AtNS        int64      `json:"at_ns"`
	NotBeforeNS int64      `json:"not_before_ns"`
	NotAfterNS  int64      `json:"not_after_ns"`
	UUS         Micros     `json:"u_us"` // standard uncertainty of AtNS
	Timing      Timing     `json:"timing"`
	Seen        List[Seen] `json:"seen"`
}

// TransitionResult tells of a transition as it happens. It is provisional: the
// cycle repeats its id, or a second result withdraws it.
type TransitionResult struct {
	ResultHeader
	ID   string `json:"id"`
	Lead string `json:"lead"`
	Slot OrNull `json:"slot"` // null for a lead in no slot (battery sense, key sense)
	Side OrNull `json:"side"`
	// Withdrawn says that it was none after all, Why says why; then there is no
	// Edge, and its members are left out.
	Withdrawn bool   `json:"withdrawn"`
	Why       OrNull `json:"why"`
	*Edge
}

func (*TransitionResult) kind() Kind { return KindTransition }
