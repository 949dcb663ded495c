package config

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

func roles() []string {
	return []string{RoleSlot, RoleBatterySense, RoleTerminal75, RoleTerminal15, RoleTerminal50, RoleTerminal61, RoleCurrent}
}

// sides are in pairs.
func sides() []string { return []string{"left", "right", "upper", "lower"} }

func (b *Bench) checkSlots(f *faults) {
	seen := map[string]bool{}
	var names []string
	for i, s := range b.Slots {
		at := fmt.Sprintf("slot[%d]", i)
		f.id(at, "name", s.Name)
		f.once(seen, at, "name", fmt.Sprintf("%q", s.Name), "slot")
		names = append(names, s.Name)
		f.text(at, "legend", s.Legend, "legend")
		if s.Fuse != "" {
			f.oneOf(at, "fuse", s.Fuse, "how a slot is fitted", []string{"in", "out", "blown"})
		}
	}
	if b.IgnitionSlot != "" {
		f.oneOf("", "ignition_slot", b.IgnitionSlot, "among the slots", names)
	}
}

func (b *Bench) checkLeads(f *faults, families []Family) {
	var chips, slots []string
	for _, c := range b.Chips {
		chips = append(chips, c.Name)
	}
	for _, s := range b.Slots {
		slots = append(slots, s.Name)
	}
	seen := map[string]bool{}
	for i := range b.Leads {
		l := &b.Leads[i]
		at := fmt.Sprintf("lead[%d]", i)
		f.id(at, "name", l.Name)
		f.once(seen, at, "name", fmt.Sprintf("%q", l.Name), "lead")
		f.once(seen, at, "input", fmt.Sprintf("%d of chip %s", l.Input, l.Chip), "lead")
		if l.Role != RoleSlot {
			f.once(seen, at, "role", fmt.Sprintf("%q", l.Role), "lead")
		}
		if f.oneOf(at, "chip", l.Chip, "among the chips", chips) {
			l.checkInput(f, at, familyOf(b.Chips[slices.Index(chips, l.Chip)].Family, families))
		}
		if l.Role == RoleCurrent {
			l.checkShunt(f, at)
		} else {
			l.checkDivider(f, at)
		}
		l.checkRole(f, at, slots)
		l.checkCalibration(f, at+".calibration")
	}
	b.checkSides(f)
}

// familyOf is the family of a name; one without inputs if it is unknown.
func familyOf(name string, families []Family) Family {
	if i := slices.IndexFunc(families, func(x Family) bool { return x.Name == name }); i >= 0 {
		return families[i]
	}
	return Family{}
}

// checkInput notes a lead on an input that its chip does not have, or that does not
// measure what the lead is for.
func (l *Lead) checkInput(f *faults, at string, chip Family) {
	switch {
	case chip.Inputs == 0: // that is noted at the chip
	case l.Input < 0 || l.Input >= chip.Inputs:
		f.at(at, "input", "%d is no input of %s; write 0 to %d", l.Input, l.Chip, chip.Inputs-1)
	case chip.Shunt && l.Role != RoleCurrent:
		f.at(at, "chip", "%s is a shunt monitor and measures a current; write role = \"current\", or another chip", l.Chip)
	case !chip.Shunt && l.Role == RoleCurrent:
		f.at(at, "chip", "%s cannot resolve the millivolts of a shunt; write a chip of the family ina226", l.Chip)
	}
}

// checkShunt notes what a current lead has not, and has too much.
func (l *Lead) checkShunt(f *faults, at string) {
	f.within(at, []bound{
		{"shunt_mohm", l.ShuntMOhm, 0.01, 10000, "like 10 for 8 A and 1 mA, or 0.5 for 160 A and 20 mA"},
		{"shunt_percent", l.ShuntPercent, 0, 20, ""},
	})
	for _, x := range []bound{{key: "upper_kohm", v: l.UpperKOhm}, {key: "lower_kohm", v: l.LowerKOhm}, {key: "capacitor_nf", v: l.CapacitorNF}, {key: "u_tau", v: l.UTau}} {
		if x.v != 0 {
			f.at(at, x.key, "a current lead has no divider; remove it")
		}
	}
}

func (l *Lead) checkDivider(f *faults, at string) {
	for _, x := range []bound{{key: "shunt_mohm", v: l.ShuntMOhm}, {key: "shunt_percent", v: l.ShuntPercent}} {
		if x.v != 0 {
			f.at(at, x.key, "only a lead with role = \"current\" has a shunt; remove it, or write the role")
		}
	}
	const drawn = "as drawn 33 kohm over 2.7 kohm and 560 nF"
	f.within(at, []bound{
		{"upper_kohm", l.UpperKOhm, 0.1, 10000, drawn},
		{"lower_kohm", l.LowerKOhm, 0.1, 10000, drawn},
		{"capacitor_nf", l.CapacitorNF, 1, 100000, drawn},
		{"u_tau", l.UTau, 0, 0.5, ""},
	})
}

func (l *Lead) checkRole(f *faults, at string, slots []string) {
	if l.Side != "" {
		f.oneOf(at, "side", l.Side, "a side with the label upright", sides())
	}
	switch {
	case !slices.Contains(roles(), l.Role):
		// No guess: a lead taken for the wrong terminal measures wrong.
		f.at(at, "role", "%q is not a role; write one of %s (the battery, terminal 30, is battery-sense)", l.Role, strings.Join(roles(), ", "))
	case l.Role == RoleSlot && l.Slot == "":
		f.at(at, "slot", "missing; write the slot of lead %q, or its role", l.Name)
	case l.Role == RoleSlot:
		f.oneOf(at, "slot", l.Slot, "among the slots", slots)
	case l.Slot != "":
		f.at(at, "slot", "a lead with the role %s is in no slot; remove one of the two", l.Role)
	case l.Side != "":
		f.at(at, "side", "a lead with the role %s has no side; remove it", l.Role)
	}
}

func (l *Lead) checkCalibration(f *faults, at string) {
	c := l.Calibration
	if c == nil {
		return
	}
	const again = "or calibrate the lead again"
	f.within(at, []bound{
		{"gain", c.Gain, 0.5, 1e5, again},
		{"offset_v", c.OffsetV, -100, 100, again},
		{"u_gain", c.UGain, 0, 0.5, again},
		{"u_offset_v", c.UOffsetV, 0, 100, again},
		{"u_tau", c.UTau, 0, 0.5, again},
		{"u_tau_floating", c.UTauFloating, 0, 0.5, again},
	})
	tau := []bound{{"tau_us", c.TauUS, 1, 1e7, again}, {"tau_floating_us", c.TauFloatingUS, 1, 1e7, again}}
	f.within(at, slices.DeleteFunc(tau, func(x bound) bool { return x.v == 0 }))
	if _, err := time.Parse(time.DateOnly, c.Date); c.Date != "" && err != nil {
		f.at(at, "date", "%q is no date; write it like \"2026-11-02\"", c.Date)
	}
}

// checkSides notes slots without a lead, with too many, and with two whose sides
// do not tell them apart.
func (b *Bench) checkSides(f *faults) {
	for i, s := range b.Slots {
		var at, has []string
		for k := range b.Leads {
			if l := &b.Leads[k]; l.Role == RoleSlot && l.Slot == s.Name {
				at, has = append(at, fmt.Sprintf("lead[%d]", k)), append(has, l.Side)
			}
		}
		switch {
		case len(has) == 1 && has[0] != "":
			f.at(at[0], "side", "slot %q has a single lead; remove the side or add the other lead", s.Name)
		case len(has) == 2 && !opposite(has[0], has[1]):
			f.at(at[1], "side", "slot %q has two leads, with the sides %q and %q; write left and right, or upper and lower", s.Name, has[0], has[1])
		case len(has) < 1 || len(has) > 2:
			f.at(fmt.Sprintf("slot[%d]", i), "name", "slot %q has %d leads; give it 1, or 2 with their sides", s.Name, len(has))
		}
	}
}

func opposite(a, b string) bool {
	i, k := slices.Index(sides(), a), slices.Index(sides(), b)
	return i >= 0 && k >= 0 && i != k && i/2 == k/2
}
