package report

import (
	"fmt"
	"slices"
	"strings"

	"keyturn/protocol"
)

// Behaviours lists all there are in the order of a fitter's questions: what always
// has volts, what follows the key, what does not.
func Behaviours() []protocol.Behaviour {
	return []protocol.Behaviour{
		protocol.Permanent, protocol.Accessory, protocol.Ignition, protocol.StartOnly, protocol.EngineRunning,
		protocol.Awake, protocol.SwitchOperated, protocol.Intermittent, protocol.NoVolts, protocol.NotProven,
	}
}

// BehaviourName is Behaviour's word without what belongs to one slot only.
func BehaviourName(b protocol.Behaviour) string {
	switch b {
	case protocol.Permanent:
		return "permanent (30)"
	case protocol.NotProven:
		return "not proven"
	}
	return Behaviour(&protocol.CycleSlot{Behaviour: b})
}

// Tally counts the slots of a key cycle by what they do, in a sentence. A behaviour
// that is not known here comes last, as it is written.
func Tally(c *protocol.Cycle) string {
	if len(c.Slots) == 0 {
		return "No slot was under test."
	}
	order, count := Behaviours(), map[protocol.Behaviour]int{}
	for i := range c.Slots {
		b := c.Slots[i].Behaviour
		if count[b]++; !slices.Contains(order, b) {
			order = append(order, b)
		}
	}
	var parts []string
	for _, b := range order {
		if n := count[b]; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, BehaviourName(b)))
		}
	}
	noun := "slots"
	if len(c.Slots) == 1 {
		noun = "slot"
	}
	return fmt.Sprintf("Of %d %s: %s.", len(c.Slots), noun, strings.Join(parts, ", "))
}
