package vehicle

import (
	"encoding/json"
	"io"

	"keyturn/adc"
)

// Transition is the truth of a wire going live or dead.
type Transition struct {
	Slot  string `json:"slot"`
	Lead  string `json:"lead"`
	Event string `json:"event"` // live or dead
	// TNS is the instant of the equivalent step: the ideal step that leaves the
	// lead's filter in the same state once the contact has settled. FirstNS and
	// LastNS are the first and the last touch (or the ends of a ramp).
	TNS     adc.Instant `json:"t_ns"`
	FirstNS adc.Instant `json:"first_ns"`
	LastNS  adc.Instant `json:"last_ns"`
	// Why is clean, bounce, slow, pulsed, run-down, lost-contact, blind or short.
	Why string `json:"why"`
	// Required is false for states too short to be told; Bracket is false for
	// pulsed ones, whose edges are many.
	Required bool `json:"required"`
	Bracket  bool `json:"bracket"`
}

// Behaviour is what an ideal observer of the cycle would say of a slot.
type Behaviour struct {
	Slot      string `json:"slot"`
	Behaviour string `json:"behaviour"`
	Decidable bool   `json:"decidable"` // the cycle visited what decides it
}

// CrankMinimum is the least voltage of a lead's wire during a start.
type CrankMinimum struct {
	Lead string      `json:"lead"`
	MinV float64     `json:"crank_min_v"`
	TNS  adc.Instant `json:"t_ns"`
}

// Level is what a lead's wire has as the key leaves a position, start excepted: one of each
// stay.
type Level struct {
	Lead     string  `json:"lead"`
	Position string  `json:"position"`
	LevelV   float64 `json:"level_v"`
	// TNS is when, a moment before the key moves on.
	TNS adc.Instant `json:"t_ns"`
	// Required: the wire and the battery sense lead stood still for long enough before it.
	Required bool `json:"required"`
}

// Truth is everything that happened in one cycle.
type Truth struct {
	Transitions []Transition
	Behaviours  []Behaviour
	Minima      []CrankMinimum
	Levels      []Level
}

// Write writes the truth as JSON lines.
func (t *Truth) Write(w io.Writer) error {
	enc := json.NewEncoder(w)
	for _, x := range t.Transitions {
		if err := enc.Encode(x); err != nil {
			return err
		}
	}
	for _, x := range t.Behaviours {
		if err := enc.Encode(x); err != nil {
			return err
		}
	}
	for _, x := range t.Minima {
		if err := enc.Encode(x); err != nil {
			return err
		}
	}
	for _, x := range t.Levels {
		if err := enc.Encode(x); err != nil {
			return err
		}
	}
	return nil
}

// shortest is the length of a state below which it need not be told: two sample
// intervals and five time constants, both at their longest.
const shortest = 2*0.0066 + 5*0.00155

// markShort clears Required on both ends of states that are too short.
func markShort(ts []Transition) {
	for i := 1; i < len(ts); i++ {
		if ts[i].TNS-ts[i-1].TNS < nano(shortest) {
			ts[i-1].Required, ts[i].Required = false, false
			ts[i-1].Why, ts[i].Why = "short", "short"
		}
	}
}

// decidable tells whether the cycle visited what decides a behaviour.
//
//	always:         permanent, awake, switch-operated (it was operated), intermittent
//	accessory seen: accessory; with "on" too: ignition
//	start seen:     start-only
//	running seen:   engine-running; with start: none
func (p *plan) decidable(behaviour string) bool {
	switch behaviour {
	case "ignition":
		return p.visited[adc.On] && p.visited[adc.Accessory]
	case "accessory":
		return p.visited[adc.Accessory]
	case "start-only":
		return p.visited[adc.Start]
	case "engine-running":
		return p.visited[adc.Running]
	case "none":
		return p.visited[adc.Start] && p.visited[adc.Running]
	}
	return true
}
