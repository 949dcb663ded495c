package drive

import "fmt"

// Role is what an output line switches.
type Role uint8

// The roles of output lines. The relays feed the terminals 75, 15 and 50 of DIN
// 72552; the watchdog line carries the pulses without which the supply of relays and
// loads drops.
const (
	RelayAccessory Role = iota + 1
	RelayOn
	RelayStart
	TestLoad
	BleedResistor
	Watchdog
)

// Output is an output line of the bench.
type Output struct {
	Name string
	Role Role
	// Slot is the slot that a test load or bleed resistor is in, Side that of its lead in a
	// slot with two.
	Slot, Side string
	// Ohm and Watt are a test load's resistance and what it may turn into heat for ever.
	Ohm, Watt float64
	// OwnWire: its current does not flow through the probe.
	OwnWire bool
	// ReadBack: a contact tells whether the relay has really pulled in.
	ReadBack bool
}

// OutputsMost is how many output lines there may be: a Set holds so many.
const OutputsMost = 64

// Set is a set of output lines, by their number in Bench.Outputs.
type Set uint64

// Has reports whether a line is in the set.
func (s Set) Has(line int) bool { return s>>line&1 != 0 }

// With returns the set with a line in it.
func (s Set) With(line int) Set { return s | 1<<line }

// Without returns the set without a line.
func (s Set) Without(line int) Set { return s &^ (1 << line) }

// Position is a position of the key as relays can set it.
type Position uint8

// The positions that a script can set.
const (
	Off Position = iota
	Accessory
	On
	Start
)

// String returns the position's name as scripts and messages have it.
func (p Position) String() string {
	switch p {
	case Off:
		return "off"
	case Accessory:
		return "accessory"
	case On:
		return "on"
	case Start:
		return "start"
	}
	return "invalid"
}

// relays is which terminals are fed in a position, in the order of Inputs.Terminals.
// Terminal 75 drops out while starting, as an ignition switch has it (common
// practice, no published source).
func (p Position) relays() [terminals]bool {
	switch p {
	case Accessory:
		return [terminals]bool{true, false, false}
	case On:
		return [terminals]bool{true, true, false}
	case Start:
		return [terminals]bool{false, true, true}
	}
	return [terminals]bool{}
}

// terminals is how many terminals there are relays for: 75, 15 and 50.
const terminals = 3

func terminalName(k int) string { return [terminals]string{"75", "15", "50"}[k] }

// Bench is what the machine is told of its lines.
type Bench struct {
	// OffVehicle: the leads are on a box or training board on a bench supply.
	OffVehicle bool
	Outputs    []Output
	// Terminals says which of the terminals 75, 15 and 50 have a lead: then their
	// relays are seen to follow.
	Terminals [terminals]bool
	Limits    Limits
}

// Check returns what is wrong with a bench; nil if nothing is.
func (b *Bench) Check() error {
	if !b.OffVehicle {
		return fmt.Errorf("the leads are on a vehicle: there a person turns the key, and nothing is driven")
	}
	if len(b.Outputs) > OutputsMost {
		return fmt.Errorf("%d output lines, at most %d", len(b.Outputs), OutputsMost)
	}
	seen := map[string]bool{}
	watchdog := false
	for _, o := range b.Outputs {
		what := fmt.Sprint(o.Role, " ", o.Slot)
		if seen[what] {
			return fmt.Errorf("line %s: another line does the same", o.Name)
		}
		seen[what] = true
		watchdog = watchdog || o.Role == Watchdog
		if o.Role == TestLoad && !(o.Ohm > 0 && o.Watt > 0) {
			return fmt.Errorf("line %s: a test load needs its resistance and its rated power", o.Name)
		}
	}
	if !watchdog {
		return fmt.Errorf("no watchdog line: without its pulses nothing would drop the supply when the program hangs")
	}
	return b.Limits.Check()
}

// line is the number of the line that does something, -1 if there is none.
func (b *Bench) line(r Role, slot string) int {
	for i, o := range b.Outputs {
		if o.Role == r && o.Slot == slot {
			return i
		}
	}
	return -1
}
