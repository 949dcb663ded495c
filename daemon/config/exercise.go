package config

import (
	"fmt"

	"github.com/pelletier/go-toml/v2"
)

// Exercise is an exercise file: what an apprentice is asked about a fuse box, and which
// faults are planted in it. The zero value of an optional setting means the default named
// at it.
type Exercise struct {
	ID    string `toml:"id"`    // [a-z0-9-]{1,32}
	Title string `toml:"title"` // what it is, for people
	// Grade is how hard it is, 1 (first steps) to 5 (finding faults).
	Grade   int    `toml:"grade"`
	BoxFile string `toml:"box"` // the box file, relative to this one
	Subject string `toml:"subject"`
	// Cautions are acknowledged before the first question; see CautionWords. HouseRules
	// are the shop's own, acknowledged too.
	Cautions   []string       `toml:"cautions"`
	HouseRules []string       `toml:"house_rules,omitempty"`
	Meters     []HandMeter    `toml:"meter,omitempty"`
	Faults     []PlantedFault `toml:"fault,omitempty"`
	Questions  []Question     `toml:"question,omitempty"`
}

// HandMeter is a hand meter that may be used.
type HandMeter struct {
	ID           string  `toml:"id"`
	Title        string  `toml:"title"`
	ReadingsPerS float64 `toml:"readings_per_s"`
	// IntegratesMS is how long each reading integrates; default: all the time.
	IntegratesMS float64 `toml:"integrates_ms,omitempty"`
	// Averages is how many readings the display averages; default 1.
	Averages int `toml:"averages,omitempty"`
	// HoldsLowest: it keeps the lowest reading.
	HoldsLowest bool    `toml:"holds_lowest,omitempty"`
	Percent     float64 `toml:"percent"` // of the reading
	Counts      float64 `toml:"counts"`  // of the last digit
	DigitV      float64 `toml:"digit_v"` // the last digit
}

// PlantedFault is a fault that is in the box while the exercise runs. A short is never
// planted.
type PlantedFault struct {
	Slot string `toml:"slot"`
	Kind string `toml:"kind"` // series-resistance, open or back-feed
	// From is the slot whose volts a back-feed brings to the load side of Slot.
	From string `toml:"from,omitempty"`
	// Ohm and Watts are those of the resistor of a series resistance or back-feed.
	Ohm   float64 `toml:"ohm,omitempty"`
	Watts float64 `toml:"watts,omitempty"`
	// Line is the relay line that plants it, or Instruction what the instructor does.
	Line        string `toml:"line,omitempty"`
	Instruction string `toml:"instruction,omitempty"`
}

// Question is one question of an exercise.
type Question struct {
	ID string `toml:"id"`
	// Asks is what is asked: behaviour, feed-side, volts, lowest-v, stays-on, feed, fault or
	// may-probe.
	Asks string `toml:"asks"`
	Slot string `toml:"slot,omitempty"`
	// Slots are those among which the faulty ones are, with fault.
	Slots []string `toml:"slots,omitempty"`
	// Key is the key position, with volts: off, accessory, on or running.
	Key string `toml:"key,omitempty"`
	// Want is what an accessory wants, with feed.
	Want  *Want   `toml:"want,omitempty"`
	Marks float64 `toml:"marks"`
	Text  string  `toml:"text,omitempty"` // in the instructor's own words
	Hints []Hint  `toml:"hint,omitempty"`
}

// Want is what an accessory wants of a feed.
type Want struct {
	Feed          string  `toml:"feed"`      // permanent or switched
	CurrentA      float64 `toml:"current_a"` // the most that it draws
	MinimumV      float64 `toml:"minimum_v,omitempty"`
	RidesThroughS float64 `toml:"rides_through_s,omitempty"`
	OffWithinS    float64 `toml:"off_within_s,omitempty"` // after key-off; default any time
}

// Hint is given when it is asked for, the first one first.
type Hint struct {
	Text string  `toml:"text"`
	Cost float64 `toml:"cost"` // in marks
}

// What a question may ask, and the kinds of planted faults.
const (
	AsksBehaviour = "behaviour"
	AsksFeedSide  = "feed-side"
	AsksVolts     = "volts"
	AsksLowest    = "lowest-v"
	AsksStaysOn   = "stays-on"
	AsksFeed      = "feed"
	AsksFault     = "fault"
	AsksMayProbe  = "may-probe"

	SeriesResistance = "series-resistance"
	OpenCircuit      = "open"
	BackFeed         = "back-feed"
)

// ParseExercise reads an exercise file. The error is a Faults: all there are. Exercise.Fit
// holds it to its box.
func ParseExercise(data []byte) (Exercise, error) {
	f := &faults{lines: linesOf(data)}
	e, ok := decode[Exercise](f, "an exercise file", data)
	if ok {
		e.fill()
		e.check(f)
	}
	if len(f.list) > 0 {
		return Exercise{}, f.err()
	}
	return e, nil
}

// TOML writes the file that ParseExercise reads as the same exercise.
func (e *Exercise) TOML() ([]byte, error) {
	out, err := toml.Marshal(e)
	if err != nil {
		return nil, fmt.Errorf("write exercise %s: %w", e.ID, err)
	}
	return out, nil
}

// Marks is what all its questions are worth.
func (e *Exercise) Marks() (sum float64) {
	for i := range e.Questions {
		sum += e.Questions[i].Marks
	}
	return sum
}

// fill sets the defaults, and makes an empty list none.
func (e *Exercise) fill() {
	if len(e.HouseRules) == 0 {
		e.HouseRules = nil
	}
	if len(e.Meters) == 0 {
		e.Meters = nil
	}
	if len(e.Faults) == 0 {
		e.Faults = nil
	}
	for i := range e.Meters {
		if e.Meters[i].Averages == 0 {
			e.Meters[i].Averages = 1
		}
	}
	for i := range e.Questions {
		q := &e.Questions[i]
		if len(q.Slots) == 0 {
			q.Slots = nil
		}
		if len(q.Hints) == 0 {
			q.Hints = nil
		}
	}
}
