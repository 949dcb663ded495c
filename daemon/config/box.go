package config

import (
	"fmt"

	"github.com/pelletier/go-toml/v2"
)

// Box is a box file: where the slots of a fuse box are, what each should do, and
// what nobody may touch. The zero value of an optional setting means the default
// named at it.
type Box struct {
	ID    string `toml:"id"`              // [a-z0-9-]{1,32}
	Title string `toml:"title,omitempty"` // what it is, for people
	// Draft is a file that nobody has finished yet: settings may be missing, and no
	// bench takes it. A finished file is signed instead.
	Draft    bool   `toml:"draft,omitempty"`
	SignedBy string `toml:"signed_by,omitempty"`
	SignedOn string `toml:"signed_on,omitempty"` // YYYY-MM-DD
	// Datum says how the box is held so that places and sides are meant: "label
	// upright, hinge at top".
	Datum string `toml:"datum"`
	Zone  string `toml:"zone"` // cabin, engine-bay
	// HighestV is the highest nominal voltage in it; OrangeCable, a cable of that
	// colour at it. From 60 V on, or with such a cable, the file is refused.
	HighestV    float64   `toml:"highest_v"`
	OrangeCable bool      `toml:"orange_cable,omitempty"`
	Rows        int       `toml:"rows"`
	Columns     int       `toml:"columns"`
	CoilPins    []CoilPin `toml:"coil_pin,omitempty"`
	Slots       []BoxSlot `toml:"slot,omitempty"`
}

// CoilPin is a pin of the box's connector that leads to a relay's coil.
type CoilPin struct {
	ID          string  `toml:"id"`
	Drive       string  `toml:"drive"`         // positive or earth: what makes the relay pull in
	CurrentMaxA float64 `toml:"current_max_a"` // above it the coil is faulty
}

// BoxSlot is one slot of a box.
type BoxSlot struct {
	ID      string  `toml:"id"`
	Legend  string  `toml:"legend"` // what the lid says
	RatingA float64 `toml:"rating_a"`
	Kind    string  `toml:"kind"` // see FuseKinds
	// TestPoints: the fuse can be measured without pulling it; default that of the kind.
	TestPoints *bool `toml:"test_points,omitempty"`
	Row        int   `toml:"row"`    // from 1 at the top
	Column     int   `toml:"column"` // from 1 at the left
	// Contacts is how the contacts lie: left-right or upper-lower.
	Contacts string `toml:"contacts"`
	// FeedSide is the hot side of a slot for two blades; default not known. With
	// three blades the feed is in the middle, and Outputs has the two others.
	FeedSide string   `toml:"feed_side,omitempty"`
	Outputs  []Output `toml:"outputs,omitempty"`
	// Expected is what the slot should do: permanent, ignition, accessory, start-only,
	// engine-running, awake, switch-operated or none.
	Expected string `toml:"expected"`
	// StaysOnMinS and StaysOnMaxS bound how long it stays on after key-off; default no
	// bound.
	StaysOnMinS float64  `toml:"stays_on_min_s,omitempty"`
	StaysOnMaxS *float64 `toml:"stays_on_max_s,omitempty"`
	// OffInStart: it drops out while the starter turns; default not judged.
	OffInStart *bool `toml:"off_in_start,omitempty"`
	// Avoid is no, or why nobody may touch it; unknown in a draft. See Box.Refuses.
	Avoid string `toml:"avoid"`
	// Control says what switches it: direct (the feed or the key itself, the default),
	// coil-pins (relays whose coils the connector reaches) or network (a control unit).
	Control  string   `toml:"control,omitempty"`
	CoilPins []string `toml:"coil_pins,omitempty"` // driven together
}

// Output is one of the two outputs of a fuse with three blades.
type Output struct {
	Side   string `toml:"side"`
	Legend string `toml:"legend"`
}

// The words of a box file that other code asks for.
const (
	AvoidNo      = "no"
	AvoidUnknown = "unknown"

	ControlDirect   = "direct"
	ControlCoilPins = "coil-pins"
	ControlNetwork  = "network"

	ZoneCabin     = "cabin"
	ZoneEngineBay = "engine-bay"
)

// ParseBox reads a box file. The error is a Faults: all there are. open is what a
// draft still lacks; a file that is no draft lacks nothing.
func ParseBox(data []byte) (b Box, open Faults, err error) {
	f := &faults{lines: linesOf(data)}
	lacks := &faults{lines: f.lines}
	b, ok := decode[Box](f, "a box file", data)
	lacks.untyped = f.untyped
	if ok {
		b.fill()
		b.check(f, lacks)
	}
	if !b.Draft {
		f.list = append(f.list, lacks.list...)
		lacks.list = nil
	}
	if len(f.list) > 0 {
		return Box{}, nil, f.err()
	}
	lacks.sort()
	return b, lacks.list, nil
}

// TOML writes the file that ParseBox reads as the same box.
func (b *Box) TOML() ([]byte, error) {
	out, err := toml.Marshal(b)
	if err != nil {
		return nil, fmt.Errorf("write box %s: %w", b.ID, err)
	}
	return out, nil
}

// Slot returns a slot by its id; nil if the box has none such, or there is no box.
func (b *Box) Slot(id string) *BoxSlot {
	if b == nil {
		return nil
	}
	for i := range b.Slots {
		if b.Slots[i].ID == id {
			return &b.Slots[i]
		}
	}
	return nil
}

// fill sets the defaults that other settings are checked against.
func (b *Box) fill() {
	if len(b.CoilPins) == 0 {
		b.CoilPins = nil // an empty list is none
	}
	for i := range b.Slots {
		s := &b.Slots[i]
		if s.Control == "" {
			s.Control = ControlDirect
		}
		if len(s.Outputs) == 0 {
			s.Outputs = nil
		}
		if len(s.CoilPins) == 0 {
			s.CoilPins = nil
		}
	}
}
