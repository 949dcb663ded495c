package judge

import "math"

// VerdictReason is one thing that was found of a slot, with the figure behind it.
type VerdictReason struct {
	Code ReasonCode
	// Makes is what it makes of the slot by itself.
	Makes Outcome
	// Value is what was found, U its standard uncertainty (k = 1), Limit what it was
	// held to, in the code's unit; 0 where it has none.
	Value, U, Limit float64
	// Bound says that Value only bounds what was found; empty: it is the figure.
	Bound Bound
	// Behaviour is what was seen and Should what is expected, with behaviours.
	Behaviour, Should Behaviour
	Position          string // of the key, where it belongs to one
	Side              string // of the slot
	Other             string // another slot
}

// Bound is how a value stands to a figure that was not seen whole.
type Bound string

// The bounds.
const (
	AtLeast Bound = "at-least" // it went on when nobody watched any more, or lower than was measured
	AtMost  Bound = "at-most"
)

// The reasons of a verdict beside those of a feed. In brackets the unit of value and
// limit.
const (
	AsExpected         ReasonCode = "as-expected"
	NoVoltsFound       ReasonCode = "no-volts"          // its leads are proven
	NoVoltsOrLeadOff   ReasonCode = "no-volts-unproven" // no volts: dead or lead off
	NoLead             ReasonCode = "no-lead"           // no round had a lead in it
	FeedSideUnseen     ReasonCode = "fuse-not-said"     // fuse out, and no lead known to be on the feed side
	SwitchNotWorked    ReasonCode = "switch-not-worked" // its own switch was not used
	ComesAndGoes       ReasonCode = "intermittent"
	ContactWasLost     ReasonCode = "contact-lost" // for a moment: slot or lead
	GhostFound         ReasonCode = "ghost"
	RoundsDisagree     ReasonCode = "rounds-disagree" // two rounds do not show the same
	RoundsNotJoined    ReasonCode = "rounds-not-joined"
	SlotsCrossed       ReasonCode = "crossed"    // does what another should, and the other way round
	LiveInTime         ReasonCode = "live-after" // [s] after the key's move
	LiveNotTimed       ReasonCode = "live-not-timed"
	OffTooEarly        ReasonCode = "off-too-early"      // [s]
	StayNotTimed       ReasonCode = "stay-not-timed"     // how long it stays on is not known
	DropsOut           ReasonCode = "drops-out"          // off while cranking
	HoldsInStart       ReasonCode = "holds-in-start"     // live while cranking, and should not be
	Falls              ReasonCode = "falls"              // [V] further than the battery
	ContactResistance  ReasonCode = "contact"            // [mΩ]
	ContactWithProbe   ReasonCode = "contact-with-probe" // [mΩ] the probe's own in it
	ContactAbove       ReasonCode = "contact-above"      // [mΩ] above matching slots
	ContactNotTested   ReasonCode = "contact-not-tested"
	ContactNotCompared ReasonCode = "contact-not-compared" // matching slots were not measured
	FeedSideFound      ReasonCode = "feed-side"
	SidesCrossed       ReasonCode = "sides-crossed" // fed on the other side: leads crossed, or the file is wrong
	SidesNotTested     ReasonCode = "sides-not-tested"
	BackFedFound       ReasonCode = "back-fed"   // with the fuse out
	Bridged            ReasonCode = "bridged"    // back-fed while other fuses are in only
	BlownFuse          ReasonCode = "blown-fuse" // fuse in: one side live, the other not
)

// The decision rule. A limit is moved inwards by the expanded uncertainty U = 2u before
// a figure passes, and outwards before it fails: guarded acceptance and guarded
// rejection with a guard band w = U (JCGM 106:2012, 8.3; value from memory). What lies
// between is marginal. So whatever the uncertainty, a figure beyond its limit passes in
// 2.3 of 100 measurements at most: the limit is the detection limit.

// atMost holds a figure to a limit that it should not exceed.
func atMost(s *span, limit float64) Outcome {
	switch {
	case s.lo-kDiffers*s.u > limit:
		return Fail
	case s.hi+kDiffers*s.u < limit:
		return Pass
	case math.IsInf(s.hi, 1):
		return Unproven
	}
	return Marginal
}

// atLeast holds a figure to a limit that it should reach.
func atLeast(s *span, limit float64) Outcome {
	switch {
	case s.hi+kDiffers*s.u < limit:
		return Fail
	case s.lo-kDiffers*s.u > limit:
		return Pass
	case math.IsInf(s.hi, 1):
		return Unproven
	}
	return Marginal
}
