package protocol

import (
	"fmt"
	"strings"
)

// Verdict is what the test of a fuse box says of it: the whole box in each revision, as
// far as the rounds went. Of one id the highest revision wins.
type Verdict struct {
	ResultHeader
	ID       string `json:"id"`       // of the test; never changed
	Revision int    `json:"revision"` // from 1
	// Final: every round was measured.
	Final bool   `json:"final"`
	Box   string `json:"box"` // its id in the box file
	Title OrNull `json:"title"`
	// Datum is how the box is held so that places and sides are meant; null where it is not
	// known, as in documents of before there was one.
	Datum OrNull `json:"datum"`
	// BoxFileHash is the SHA-256 of the box file that it was held to, 64 hex digits.
	BoxFileHash string `json:"box_file_hash"`
	// Job is the number of the job in the records that the box is of; null where nobody
	// said.
	Job OrNull `json:"job"`
	// Supersedes is the id of the test whose slots were tested again; null of a first one.
	Supersedes OrNull `json:"supersedes"`
	// Before is what was seen and measured before the box had its full supply; null where
	// nothing was said.
	Before *BeforePower `json:"before"`
	// Rounds is how many rounds there are in all; it grows once where slots without volts
	// are tested again, now that their leads were seen live. Round is the one that comes
	// next, with the leads as they are to be; null when none does.
	Rounds int           `json:"rounds"`
	Round  *VerdictRound `json:"round"`
	// Cycles are the key cycles that it rests on, a round each, in their order.
	Cycles List[string] `json:"cycles"`
	// Outcome is the worst of all slots, OfTested of those that the bench can test.
	Outcome  Outcome      `json:"outcome"`
	OfTested Outcome      `json:"of_tested"`
	Tested   VerdictCount `json:"tested"`
	Untested int          `json:"untested"` // slots that the bench cannot test
	// Limits are what slots were held to where the box file says nothing; null where it is
	// not known.
	Limits     *VerdictLimits    `json:"limits"`
	LeftOut    List[Check]       `json:"left_out"`
	NotVisited List[Position]    `json:"not_visited"` // positions that no round reached
	Slots      List[SlotVerdict] `json:"slots"`
}

// BeforePower is how a box was before it had its full supply.
type BeforePower struct {
	// Seen is what somebody saw of corrosion, melted slots, cracks or repairs; null for
	// nothing.
	Seen OrNull `json:"seen"`
	// Feeds are its busbars, fed one at a time with a limited current, fuses and relays out;
	// empty where that was left out.
	Feeds List[LimitedFeed] `json:"feeds"`
}

// LimitedFeed is what the battery sense lead read while one busbar was fed. Where the
// voltage does not hold there is a short to earth.
type LimitedFeed struct {
	V     Volts `json:"v"`
	UV    Volts `json:"u_v"` // standard uncertainty (k = 1)
	Holds bool  `json:"holds"`
}

// VerdictLimits say what a pass means. Twice its standard uncertainty keeps a figure from
// its limit: inside by more it passes, beyond by more it fails, between it is marginal.
type VerdictLimits struct {
	// A contact of up to ContactPassMOhm passes; above ContactFailMOhm, or more than
	// ContactAboveMOhm above matching slots, it fails.
	ContactPassMOhm  Figure `json:"contact_pass_mohm"`
	ContactFailMOhm  Figure `json:"contact_fail_mohm"`
	ContactAboveMOhm Figure `json:"contact_above_mohm"`
	ProbeMOhm        Figure `json:"probe_mohm"`  // the most that a probe's own contact has
	OnWithinS        Figure `json:"on_within_s"` // from the key's move until a slot that follows it is live
	FallV            Figure `json:"fall_v"`      // how much further than the battery a slot may fall while cranking
}

// SeenMax is the longest text of what somebody saw, in bytes.
const SeenMax = 500

// Outcome is the word of a verdict.
type Outcome string

// The outcomes, the worst first.
const (
	OutcomeFail      Outcome = "fail"
	OutcomeNotProven Outcome = "not-proven"
	OutcomeMarginal  Outcome = "marginal"
	OutcomePass      Outcome = "pass"
)

// Check is a part of the test that may be left out.
type Check string

// The checks.
const (
	CheckContact Check = "contact" // contact resistance, and ghosts
	CheckSides   Check = "sides"   // feed side, back-feed, blown fuse
	CheckStart   Check = "start"   // how far it falls while cranking
)

// VerdictCount is how many of the tested slots came out how.
type VerdictCount struct {
	Fail      int `json:"fail"`
	NotProven int `json:"not_proven"`
	Marginal  int `json:"marginal"`
	Pass      int `json:"pass"`
}

// VerdictRound says how leads and fuses are in a round.
type VerdictRound struct {
	Number int               `json:"number"` // from 1
	Leads  List[VerdictLead] `json:"leads"`
}

// VerdictLead is where a lead is in a round, and how its slot is fitted. Moved and Fitted
// say whether that is another than in the round before.
type VerdictLead struct {
	Lead   string `json:"lead"`
	Slot   string `json:"slot"`
	Side   OrNull `json:"side"` // null of a slot's only lead
	Fuse   Fuse   `json:"fuse"`
	Moved  bool   `json:"moved"`
	Fitted bool   `json:"fitted"`
	// Switch: the slot has a switch of its own, to be closed once the key is on and opened
	// after the start.
	Switch bool `json:"switch"`
}

// SlotVerdict is what is said of one slot.
type SlotVerdict struct {
	Slot    string  `json:"slot"`
	Legend  OrNull  `json:"legend"`
	Outcome Outcome `json:"outcome"`
	// Place is that of the box file.
	Place *Place `json:"place"`
	// Rounds are those in which it had a lead, from 1; Test is the earlier test that they
	// are of, where the slot was not tested again, and null else.
	Rounds List[int] `json:"rounds"`
	Test   OrNull    `json:"test"`
	// Reasons are all there are, the weightiest first.
	Reasons List[VerdictReason] `json:"reasons"`
}

// VerdictReason is one thing that was found of a slot. What does not belong to its code
// is absent.
type VerdictReason struct {
	// Reason is its code; the list may grow within v1. Makes is what it makes of the slot
	// by itself.
	Reason string  `json:"reason"`
	Makes  Outcome `json:"makes"`
	// Value is what was found, U its standard uncertainty (k = 1), Limit what it was held
	// to, all in Unit: "s", "V" or "mΩ".
	Value *Figure `json:"value,omitempty"`
	U     *Figure `json:"u,omitempty"`
	Limit *Figure `json:"limit,omitempty"`
	Unit  string  `json:"unit,omitempty"`
	// Bound says that Value only bounds what was found; absent where it is the figure.
	Bound Bound `json:"bound,omitempty"`
	// Behaviour is what was seen, Should what is expected.
	Behaviour Behaviour `json:"behaviour,omitempty"`
	Should    Behaviour `json:"should,omitempty"`
	Position  Position  `json:"position,omitempty"`
	Side      string    `json:"side,omitempty"`
	Other     string    `json:"other,omitempty"` // another slot
}

// Bound is how a value stands to a figure that was not seen whole.
type Bound string

// The bounds. A slot that was still on when nobody watched any more stays on for at least
// the value.
const (
	BoundAtLeast Bound = "at-least"
	BoundAtMost  Bound = "at-most"
)

func (*Verdict) kind() Kind { return KindVerdict }

// hashDigits is how many hex digits a SHA-256 has.
const hashDigits = 64

func (c *checker) verdict(v *Verdict) {
	c.id(v.ID, "id")
	c.id(v.Box, "box")
	c.need(v.Revision >= 1, "revision", "%d, want 1 or more", v.Revision)
	c.need(len(v.BoxFileHash) == hashDigits && strings.Trim(v.BoxFileHash, "0123456789abcdef") == "", "box_file_hash", "%q is no SHA-256", clip(v.BoxFileHash))
	if v.Before != nil {
		c.need(len(v.Before.Seen) <= SeenMax, "before.seen", "%d bytes, want at most %d", len(v.Before.Seen), SeenMax)
	}
	if l := v.Limits; l != nil {
		for _, x := range []struct {
			member string
			v      Figure
		}{{"contact_pass_mohm", l.ContactPassMOhm}, {"contact_above_mohm", l.ContactAboveMOhm}, {"probe_mohm", l.ProbeMOhm}, {"on_within_s", l.OnWithinS}, {"fall_v", l.FallV}} {
			c.need(x.v >= 0, "limits."+x.member, "%g, want 0 or more", x.v)
		}
		c.need(l.ContactFailMOhm >= l.ContactPassMOhm, "limits.contact_fail_mohm", "%g, want contact_pass_mohm, %g, or more", l.ContactFailMOhm, l.ContactPassMOhm)
	}
	c.need(v.Rounds >= 1, "rounds", "%d, want 1 or more", v.Rounds)
	if v.Round != nil {
		c.need(!v.Final, "round", "comes next though the test is over")
		c.need(v.Round.Number >= 1 && v.Round.Number <= v.Rounds, "round.number", "%d of %d rounds", v.Round.Number, v.Rounds)
		for i, l := range v.Round.Leads {
			c.id(l.Lead, fmt.Sprintf("round.leads[%d].lead", i))
			c.id(l.Slot, fmt.Sprintf("round.leads[%d].slot", i))
		}
	}
	for i := range v.Slots {
		s := &v.Slots[i]
		at := fmt.Sprintf("slots[%d].", i)
		c.id(s.Slot, at+"slot")
		c.need(s.Outcome != "", at+"outcome", "is empty")
		c.need(len(s.Reasons) > 0, at+"reasons", "are none")
	}
}
