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
