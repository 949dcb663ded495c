package report

import (
	"strings"
	"testing"

	"keyturn/daemon/judge"
)

// Every reason has words of its own, whatever it makes of a slot, with the figure and
// what it was held to where it hangs on one.
func TestEveryVerdictReasonHasWords(t *testing.T) {
	for _, code := range []judge.ReasonCode{
		judge.Avoided, judge.Untestable, judge.AsExpected, judge.NoVoltsFound, judge.NoVoltsOrLeadOff, judge.NoLead, judge.FeedSideUnseen, judge.SwitchNotWorked,
		judge.WrongBehaviour, judge.BehaviourNotProven, judge.ComesAndGoes, judge.ContactWasLost, judge.GhostFound, judge.RoundsDisagree, judge.RoundsNotJoined,
		judge.SlotsCrossed, judge.LiveInTime, judge.LiveNotTimed, judge.OnTooLong, judge.OffNotSeen, judge.OffTooEarly, judge.StayNotTimed, judge.DropsOut,
		judge.HoldsInStart, judge.StartNotSeen, judge.Falls, judge.ContactResistance, judge.ContactWithProbe, judge.ContactAbove, judge.ContactNotTested,
		judge.ContactNotCompared, judge.FeedSideFound, judge.SidesCrossed, judge.SidesNotTested, judge.BackFedFound, judge.Bridged, judge.BlownFuse,
	} {
		for makes := judge.Fail; makes <= judge.Pass; makes++ {
			r := judge.VerdictReason{Code: code, Makes: makes, Value: 41, U: 3, Limit: 17, Behaviour: judge.Ignition, Should: judge.Permanent, Position: "start", Side: "left", Other: "f07"}
			text := VerdictReason(&r)
			if text == string(code) || strings.Contains(text, "%!") || strings.Contains(text, "dead;") {
				t.Errorf("%s: %q", code, text)
			}
			figures := strings.Contains(text, "41") && strings.Contains(text, "17")
			if unit := VerdictUnit(code); (unit != "") != figures {
				t.Errorf("%s has the unit %q: %q", code, unit, text)
			}
			if beside := strings.Contains(text, "± 6"); VerdictUnit(code) != "" && code != judge.OffNotSeen && beside != (makes != judge.Pass) {
				t.Errorf("%s, %s: %q", code, makes, text)
			}
		}
	}
}

// What a watch that ended saw is not told as what a slot did.
func TestVerdictReasonTellsABound(t *testing.T) {
	for _, x := range []struct {
		r       judge.VerdictReason
		whole   string
		bounded string
	}{
		{judge.VerdictReason{Code: judge.OnTooLong, Value: 15, Limit: 10}, "off 15 s after key-off (at most 10 s)", "still on 15 s after key-off when last seen (at most 10 s)"},
		{judge.VerdictReason{Code: judge.OffTooEarly, Makes: judge.Pass, Value: 15, Limit: 10}, "off 15 s after key-off (at least 10 s)", "still on 15 s after key-off when last seen (at least 10 s)"},
		{judge.VerdictReason{Code: judge.LiveInTime, Value: 2, Limit: 0.1}, "live 2 s after the key (at most 100 ms)", "not yet live 2 s after the key (at most 100 ms)"},
		{judge.VerdictReason{Code: judge.Falls, Value: 3, Limit: 1}, "falls 3.00 V further than the battery (at most 1 V)", "falls 3.00 V or more further than the battery (at most 1 V)"},
	} {
		if got := VerdictReason(&x.r); got != x.whole {
			t.Errorf("%q, want %q", got, x.whole)
		}
		x.r.Bound = judge.AtLeast
		if got := VerdictReason(&x.r); got != x.bounded {
			t.Errorf("%q, want %q", got, x.bounded)
		}
	}
}
