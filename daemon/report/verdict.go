package report

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// BoxVerdict is all that is said of a box under test.
type BoxVerdict struct {
	judge.BoxVerdict
	// Box and Title name it; Legends are what the lid says, by slot.
	Box, Title string
	Legends    map[string]string
	// Before is how it was before it had its full supply; nil where nothing was said.
	Before *protocol.BeforePower
}

// Outcome is the word of a verdict.
func Outcome(o judge.Outcome) string {
	if o == judge.Unproven {
		return "not proven"
	}
	return o.String()
}

// Untested is the word of a slot that the bench cannot test, or nobody may touch.
const Untested = "not tested"

// slotOutcome is the word of a slot's verdict.
func slotOutcome(v *judge.Verdict) string {
	if !v.Tested() {
		return Untested
	}
	return Outcome(v.Outcome)
}

// Table sets the verdict for a terminal of so many columns: the box, its slots with the
// reasons, what was not tested.
func (b *BoxVerdict) Table(width int) string {
	var out strings.Builder
	for _, line := range b.Lines() {
		out.WriteString(Wrap(line, width, "  ") + "\n")
	}
	out.WriteByte('\n')
	for i := range b.Slots {
		v := &b.Slots[i]
		text := strings.Join(VerdictReasons(v), "; ")
		if width < wide {
			name := strings.TrimSpace(v.Slot + " " + b.Legends[v.Slot])
			out.WriteString(Wrap(fmt.Sprintf("%s, %s: %s", name, slotOutcome(v), text), width, "    ") + "\n")
			continue
		}
		line(&out, []int{b.slotWidth(), 16, 10, max(20, width-b.slotWidth()-16-10-6)}, []string{v.Slot, b.Legends[v.Slot], slotOutcome(v), text})
	}
	out.WriteString("\n" + Wrap(ProveAgain(), width, "") + "\n")
	return out.String()
}

// ProveAgain stands below every verdict.
func ProveAgain() string {
	return "The verdict is of the box as it was measured, by the limits of its file. Prove each slot again where the box is fitted; airbag, brake and steering circuits are for who is trained for them."
}

// slotWidth is that of the longest slot.
func (b *BoxVerdict) slotWidth() int {
	w := 4
	for i := range b.Slots {
		w = max(w, utf8.RuneCountInString(b.Slots[i].Slot))
	}
	return w
}

// Lines say the verdict on the whole box: the worst of its slots, how many are how, and
// what was not tested.
func (b *BoxVerdict) Lines() []string {
	tested := len(b.Slots) - b.Untested
	head := fmt.Sprintf("Box %s: %s.", b.Box, Outcome(b.Outcome))
	if b.Title != "" {
		head = fmt.Sprintf("Box %s, %s: %s.", b.Box, b.Title, Outcome(b.Outcome))
	}
	var counts []string
	for o := judge.Fail; o <= judge.Pass; o++ {
		if n := b.Count[o]; n > 0 {
			counts = append(counts, fmt.Sprintf("%d %s", n, Outcome(o)))
		}
	}
	if b.OfTested != b.Outcome {
		head += fmt.Sprintf(" What this bench can test: %s.", Outcome(b.OfTested))
	}
	out := []string{head}
	if tested > 0 {
		out = append(out, fmt.Sprintf("Of %d %s that this bench can test: %s.", tested, slotsNoun(tested), strings.Join(counts, ", ")))
	}
	if b.Before != nil {
		out = append(out, beforePower(b.Before))
	}
	if b.Limits != nil {
		out = append(out, heldTo(b.Limits))
	}
	return append(out, b.notTested()...)
}

// heldTo says what slots are held to where the box file says nothing.
func heldTo(l *judge.Limits) string {
	return fmt.Sprintf("Limits: contact to %g mΩ, fails above %g mΩ, or %g mΩ above matching slots; a probe's own to %g mΩ; live within %g s of the key; while cranking at most %g V further down than the battery.",
		l.ContactPassMOhm, l.ContactFailMOhm, l.ContactAboveMOhm, l.ProbeMOhm, l.OnWithinS, l.FallV)
}

// beforePower says what was seen and measured before the full supply.
func beforePower(p *protocol.BeforePower) string {
	seen := "Before power: nothing amiss was seen"
	if p.Seen != "" {
		seen = fmt.Sprintf("Before power was seen: %q", string(p.Seen))
	}
	lowest := 0.0
	for i, f := range p.Feeds {
		if !f.Holds {
			return fmt.Sprintf("%s; busbar %d did not hold a limited feed, %.2f V: a short to earth.", seen, i+1, float64(f.V))
		}
		if i == 0 || float64(f.V) < lowest {
			lowest = float64(f.V)
		}
	}
	switch n := len(p.Feeds); n {
	case 0:
		return seen + "; shorts to earth were not looked for."
	case 1:
		return fmt.Sprintf("%s; one busbar held %.2f V on a limited feed.", seen, lowest)
	default:
		return fmt.Sprintf("%s; %d busbars held %.2f V or more on a limited feed.", seen, n, lowest)
	}
}

func slotsNoun(n int) string {
	if n == 1 {
		return "slot"
	}
	return "slots"
}

// namedMost is how many slots are named that share why they were not tested; more are
// counted.
const namedMost = 12

// notTested lists what nobody tested.
func (b *BoxVerdict) notTested() []string {
	var parts, whys []string
	slots := map[string][]string{}
	for i := range b.Slots {
		if v := &b.Slots[i]; !v.Tested() || v.Reasons[0].Code == judge.NoLead {
			why := VerdictReason(&v.Reasons[0])
			if slots[why] == nil {
				whys = append(whys, why)
			}
			slots[why] = append(slots[why], v.Slot)
		}
	}
	for _, why := range whys {
		which := list(slots[why], "and")
		if n := len(slots[why]); n > namedMost {
			which = fmt.Sprintf("%d slots", n)
		}
		parts = append(parts, fmt.Sprintf("%s (%s)", which, why))
	}
	for _, c := range b.LeftOut {
		parts = append(parts, checkText(c)+" of every slot (left out)")
	}
	if len(b.NotVisited) > 0 {
		var p []string
		for _, x := range b.NotVisited {
			p = append(p, Position(protocol.Position(x)))
		}
		parts = append(parts, "what happens with the key at "+list(p, "or"))
	}
	if len(parts) == 0 {
		return nil
	}
	return []string{"Not tested: " + strings.Join(parts, "; ") + "."}
}

func checkText(c judge.Check) string {
	switch c {
	case judge.CheckContact:
		return "contact resistance and strength"
	case judge.CheckSides:
		return "feed side and back-feed"
	case judge.CheckStart:
		return "fall while cranking"
	}
	return string(c)
}

// VerdictReasons say in words what a slot has against it, the weightiest first; where
// that is nothing, by what it passed.
func VerdictReasons(v *judge.Verdict) []string {
	var out []string
	for i := range v.Reasons {
		r := &v.Reasons[i]
		if text := VerdictReason(r); (r.Makes < judge.Pass || v.Outcome == judge.Pass) && !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	return out
}
