package config

import (
	"fmt"
	"slices"
	"time"

	"keyturn/daemon/drive"
)

// Drive is what turns the key of a box on a bench supply by script. The zero value of
// a limit means the default of drive.Limits.
type Drive struct {
	// Chip is the GPIO chip of all lines, by its label or name: "pinctrl-bcm2711".
	Chip string `toml:"chip"`
	// Arming is how a person at the bench arms it: "key-switch" or "typed".
	Arming        string  `toml:"arming"`
	SupplyLowV    float64 `toml:"supply_low_v,omitempty"`
	SupplyHighV   float64 `toml:"supply_high_v,omitempty"`
	DipLowV       float64 `toml:"dip_low_v,omitempty"`
	StartMaxS     float64 `toml:"start_max_s,omitempty"`
	StartRestS    float64 `toml:"start_rest_s,omitempty"`
	StartsMost    int     `toml:"starts_most,omitempty"`
	StartsWithinS float64 `toml:"starts_within_s,omitempty"`
	LoadMaxS      float64 `toml:"load_max_s,omitempty"`
	LoadDuty      float64 `toml:"load_duty,omitempty"`
}

// Line is a GPIO line. High is on for an output, and permits for an input: a line
// that is not driven, or cannot be read, is low.
type Line struct {
	Name   string `toml:"name"`
	Offset int    `toml:"offset"` // on the chip, from 0
	// Role is terminal-75, terminal-15 or terminal-50 (their relays), test-load,
	// bleed-resistor or watchdog for an output; emergency-stop, key-switch or read-back for
	// an input.
	Role string `toml:"role"`
	Slot string `toml:"slot,omitempty"` // of a test load or bleed resistor
	Side string `toml:"side,omitempty"` // of a slot with two leads: that at which the resistor is
	Of   string `toml:"of,omitempty"`   // the output that a read-back is of
	// Ohm and Watt are a test load's resistance and rated power; OwnWire, that its wire
	// goes to the slot by itself, so that no current flows through the probe.
	Ohm     float64 `toml:"ohm,omitempty"`
	Watt    float64 `toml:"watt,omitempty"`
	OwnWire bool    `toml:"own_wire,omitempty"`
}

// The roles of a line that no lead has.
const (
	LineTestLoad      = "test-load"
	LineBleedResistor = "bleed-resistor"
	LineWatchdog      = "watchdog"
	LineEmergencyStop = "emergency-stop"
	LineKeySwitch     = "key-switch"
	LineReadBack      = "read-back"
)

// How a bench is armed.
const (
	ArmingKeySwitch = "key-switch"
	ArmingTyped     = "typed"
)

func outputRoles() []string {
	return []string{RoleTerminal75, RoleTerminal15, RoleTerminal50, LineTestLoad, LineBleedResistor, LineWatchdog}
}

func inputRoles() []string { return []string{LineEmergencyStop, LineKeySwitch, LineReadBack} }

// IsOutput reports whether the bench drives the line.
func (l *Line) IsOutput() bool { return slices.Contains(outputRoles(), l.Role) }

// Outputs are the lines that the bench drives, in the order of Driven.
func (b Bench) Outputs() (out []Line) {
	for _, l := range b.Lines {
		if l.IsOutput() {
			out = append(out, l)
		}
	}
	return out
}

// Driven is what the machine of scripts is told of a bench that has a Drive.
func (b Bench) Driven() drive.Bench {
	d := drive.Bench{OffVehicle: b.Subject == offVehicle, Limits: drive.Limits{
		SupplyLowV: b.Drive.SupplyLowV, SupplyHighV: b.Drive.SupplyHighV, DipLowV: b.Drive.DipLowV,
		StartMax: duration(b.Drive.StartMaxS, time.Second), StartRest: duration(b.Drive.StartRestS, time.Second),
		StartsMost: b.Drive.StartsMost, StartsWithin: duration(b.Drive.StartsWithinS, time.Second),
		LoadMax: duration(b.Drive.LoadMaxS, time.Second), LoadDuty: b.Drive.LoadDuty,
	}}
	for _, l := range b.Outputs() {
		d.Outputs = append(d.Outputs, drive.Output{
			Name: l.Name, Role: drive.Role(1 + slices.Index(outputRoles(), l.Role)), Slot: l.Slot, Side: l.Side, Ohm: l.Ohm, Watt: l.Watt, OwnWire: l.OwnWire,
			ReadBack: slices.ContainsFunc(b.Lines, func(x Line) bool { return x.Role == LineReadBack && x.Of == l.Name }),
		})
	}
	for k, role := range []string{RoleTerminal75, RoleTerminal15, RoleTerminal50} {
		d.Terminals[k] = slices.ContainsFunc(b.Leads, func(l Lead) bool { return l.Role == role })
	}
	return d
}

// checkDrive notes what is wrong with the lines of a bench.
func (b *Bench) checkDrive(f *faults) {
	at := "drive"
	if b.Drive == nil {
		at = "line[0]"
	}
	switch {
	case b.Drive == nil && len(b.Lines) == 0:
		return
	case b.Subject != offVehicle:
		f.at(at, "", "on a vehicle a person turns the key, and nothing is driven; remove [drive] and every [[line]]")
		return
	case b.Drive == nil:
		f.at(at, "", "lines without what they are for; add [drive] with chip and arming")
		return
	}
	d, told := b.Drive, len(f.list)
	if d.Chip == "" || len(d.Chip) > textMax {
		f.at(at, "chip", "%q is no GPIO chip; write its label, like \"pinctrl-bcm2711\": gpiodetect lists them", d.Chip)
	}
	f.oneOf(at, "arming", d.Arming, "a way to arm", []string{ArmingKeySwitch, ArmingTyped})
	f.within(at, []bound{
		{"supply_low_v", d.SupplyLowV, 0, 16, ""},
		{"supply_high_v", d.SupplyHighV, 0, 16, ""},
		{"dip_low_v", d.DipLowV, 0, 16, ""},
		{"start_max_s", d.StartMaxS, 0, 30, ""},
		{"start_rest_s", d.StartRestS, 0, 3600, ""},
		{"starts_most", float64(d.StartsMost), 0, 20, ""},
		{"starts_within_s", d.StartsWithinS, 0, 3600, ""},
		{"load_max_s", d.LoadMaxS, 0, 10, ""},
		{"load_duty", d.LoadDuty, 0, 0.5, ""},
	})
	b.checkLines(f)
	b.checkNeeded(f)
	if len(f.list) > told {
		return // the machine's own check needs sound lines
	}
	machine := b.Driven()
	if err := machine.Check(); err != nil {
		f.at(at, "", "%s; correct it", err)
	}
}

// checkLines notes lines that are no good by themselves.
func (b *Bench) checkLines(f *faults) {
	var slots, outputs []string
	for _, s := range b.Slots {
		slots = append(slots, s.Name)
	}
	for _, l := range b.Outputs() {
		outputs = append(outputs, l.Name)
	}
	sides := map[string][]string{}
	for _, l := range b.Leads {
		sides[l.Slot] = append(sides[l.Slot], l.Side)
	}
	seen, resistors := map[string]bool{}, map[string]string{}
	for i := range b.Lines {
		l := &b.Lines[i]
		at := fmt.Sprintf("line[%d]", i)
		f.id(at, "name", l.Name)
		f.once(seen, at, "name", fmt.Sprintf("%q", l.Name), "line")
		f.within(at, []bound{{"offset", float64(l.Offset), 0, 1023, "its number on the chip"}})
		f.once(seen, at, "offset", fmt.Sprint(l.Offset), "line")
		if !f.oneOf(at, "role", l.Role, "a role of a line", append(outputRoles(), inputRoles()...)) {
			continue
		}
		if l.Role != LineReadBack {
			f.once(seen, at, "role", fmt.Sprintf("%q %s", l.Role, l.Slot), "line")
		}
		l.checkSlot(f, at, slots, sides)
		if first, twice := resistors[l.Slot]; twice && slices.Contains(sides[l.Slot], l.Side) && first != l.Side {
			f.at(at, "side", "the other resistor of slot %q is at the side %s, and both are measured at one lead; write the same", l.Slot, first)
		} else if slices.Contains(sides[l.Slot], l.Side) {
			resistors[l.Slot] = l.Side
		}
		switch {
		case l.Role == LineReadBack && f.oneOf(at, "of", l.Of, "an output line", outputs):
			f.once(seen, at, "of", fmt.Sprintf("%q", l.Of), "line")
		case l.Role != LineReadBack && l.Of != "":
			f.at(at, "of", "only a read-back is of another line; remove it")
		}
	}
}

// checkSlot notes a test load or bleed resistor without its slot, side and figures, and
// other lines with them.
func (l *Line) checkSlot(f *faults, at string, slots []string, sides map[string][]string) {
	switch l.Role {
	case LineTestLoad, LineBleedResistor:
		if !f.oneOf(at, "slot", l.Slot, "among the slots", slots) {
			break
		}
		switch has := sides[l.Slot]; {
		case len(has) > 1 && l.Side == "":
			f.at(at, "side", "%q has two leads; write at which side the resistor is", l.Slot)
		case len(has) > 1:
			f.oneOf(at, "side", l.Side, "a side of slot "+l.Slot, has)
		case l.Side != "":
			f.at(at, "side", "%q has one lead; remove the side", l.Slot)
		}
	default:
		if l.Slot != "" {
			f.at(at, "slot", "only a test load or a bleed resistor is in a slot; remove it")
		}
		if l.Side != "" {
			f.at(at, "side", "only a test load or a bleed resistor is at a side; remove it")
		}
	}
	if l.Role == LineTestLoad {
		f.within(at, []bound{{"ohm", l.Ohm, 0.1, 1000, "such as 4.7"}, {"watt", l.Watt, 0.1, 1000, "its rated power"}})
	} else if l.Ohm != 0 || l.Watt != 0 || l.OwnWire {
		f.at(at, "ohm", "only a test load has ohm, watt and own_wire; remove them")
	}
}

// checkNeeded notes lines and leads that must be there before anything is driven.
func (b *Bench) checkNeeded(f *faults) {
	has := func(role string) bool {
		return slices.ContainsFunc(b.Lines, func(l Line) bool { return l.Role == role })
	}
	if !has(LineEmergencyStop) {
		f.at("drive", "", "no line is emergency-stop; add one on a second contact of the stop")
	}
	switch key := has(LineKeySwitch); {
	case b.Drive.Arming == ArmingKeySwitch && !key:
		f.at("drive", "arming", "no line is key-switch; add one")
	case b.Drive.Arming == ArmingTyped && key:
		f.at("drive", "arming", "a key switch that would arm nothing; write \"key-switch\", or remove its line")
	}
	if !slices.ContainsFunc(b.Leads, func(l Lead) bool { return l.Role == RoleBatterySense }) {
		f.at("drive", "", "no lead is battery-sense; put one on the bench supply, for it must be watched")
	}
}

// fitLines notes test loads in slots of a box that are avoided. No statement lifts that:
// a load draws current where a lead does not.
func (b *Bench) fitLines(f *faults, box *Box) {
	for i, l := range b.Lines {
		if s := box.Slot(l.Slot); l.Role == LineTestLoad && s != nil && s.Avoid != AvoidNo {
			f.at(fmt.Sprintf("line[%d]", i), "slot", "%q (%s) is avoided (%s): no test load there; remove the line", l.Slot, s.Legend, s.Avoid)
		}
	}
}
