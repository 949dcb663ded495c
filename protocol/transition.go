package protocol

import "math"

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

// DelayTo returns the time from e to f in milliseconds, negative if f came first,
// and its standard uncertainty (k = 1): both instants are taken as independent
// (JCGM 100:2008, 5.1.2), so that of two leads on one bus is better than stated.
func (e *Edge) DelayTo(f *Edge) (delay, u Millis) {
	return Millis(float64(f.AtNS-e.AtNS) * 1e-6), Millis(math.Hypot(float64(e.UUS), float64(f.UUS)) * 1e-3)
}

// Before reports whether e certainly came before f: their brackets do not touch.
// That e's estimate is the earlier one proves nothing.
func (e *Edge) Before(f *Edge) bool { return e.NotAfterNS < f.NotBeforeNS }

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
