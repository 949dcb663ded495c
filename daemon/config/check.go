package config

import (
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
)

var isID = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)

// leadsMax, slotsMax and textMax bound what a bench file may hold.
const (
	leadsMax = 256
	slotsMax = 128
	textMax  = 80
)

// check notes every fault of a bench.
func (b *Bench) check(f *faults, families []Family) {
	f.id("", "id", b.ID)
	switch b.Subject {
	case "off-vehicle", "vehicle":
	default:
		f.at("", "subject", "%q is not a subject: say \"off-vehicle\" (a box or training board on a bench supply) or \"vehicle\" (a person turns the ignition key)", b.Subject)
	}
	if u, err := url.Parse(b.MQTT.Broker); err != nil || u.Host == "" {
		f.at("mqtt", "broker", "%q is no broker: write it like \"tcp://localhost:1883\"", b.MQTT.Broker)
	}
	for _, level := range strings.Split(b.MQTT.Root, "/") {
		if !isID.MatchString(level) {
			f.at("mqtt", "root", "%q is no topic root: use [a-z0-9-], levels joined by /", b.MQTT.Root)
			break
		}
	}
	b.checkBuses(f)
	b.checkChips(f, families)
	b.checkSlots(f)
	b.checkLeads(f, families)
	b.checkLimits(f)
}

func (b *Bench) checkBuses(f *faults) {
	if len(b.Buses) == 0 {
		f.at("", "", "no bus: add [[bus]] with name = \"/dev/i2c-1\"")
	}
	seen := map[string]bool{}
	for i, x := range b.Buses {
		at := fmt.Sprintf("bus[%d]", i)
		if x.Name == "" || seen[x.Name] {
			f.at(at, "name", "%q: every bus needs a name of its own, like \"/dev/i2c-1\"", x.Name)
		}
		seen[x.Name] = true
		if x.Hz < 10000 || x.Hz > 3400000 {
			f.at(at, "hz", "%d is no bus clock: 10000 to 3400000, usually 400000", x.Hz)
		}
	}
}

func (b *Bench) checkChips(f *faults, families []Family) {
	if len(b.Chips) == 0 {
		f.at("", "", "no chip: add [[chip]] with name, family, bus and address")
	}
	var buses, names []string
	for _, x := range b.Buses {
		buses = append(buses, x.Name)
	}
	for _, x := range families {
		names = append(names, x.Name)
	}
	seen := map[string]bool{}
	for i, c := range b.Chips {
		at := fmt.Sprintf("chip[%d]", i)
		f.id(at, "name", c.Name)
		if !slices.Contains(buses, c.Bus) {
			f.at(at, "bus", "%q is not among the buses%s", c.Bus, nearest(c.Bus, buses))
		}
		for _, key := range []string{"name " + c.Name, fmt.Sprintf("address %s %#x", c.Bus, c.Address)} {
			if seen[key] {
				f.at(at, strings.Fields(key)[0], "%s is used by another chip", key)
			}
			seen[key] = true
		}
		k := slices.IndexFunc(families, func(x Family) bool { return x.Name == c.Family })
		if k < 0 {
			f.at(at, "family", "%q is no chip family: have %s%s", c.Family, strings.Join(names, ", "), nearest(c.Family, names))
			continue
		}
		fam := families[k]
		if !slices.Contains(fam.Addresses, c.Address) {
			f.at(at, "address", "%#x is no address of %s: have %#x", c.Address, fam.Name, fam.Addresses)
		}
		if c.Rate != 0 && !slices.Contains(fam.Rates, c.Rate) {
			f.at(at, "rate", "%d is no rate of %s: have %v", c.Rate, fam.Name, fam.Rates)
		}
		if c.RangeV != 0 && !slices.Contains(fam.RangesV, c.RangeV) {
			f.at(at, "range_v", "%g is no range of %s: have %v", c.RangeV, fam.Name, fam.RangesV)
		}
	}
}

func (b *Bench) checkSlots(f *faults) {
	if len(b.Slots) > slotsMax {
		f.at("", "", "%d slots, at most %d", len(b.Slots), slotsMax)
	}
	seen := map[string]bool{}
	for i, s := range b.Slots {
		at := fmt.Sprintf("slot[%d]", i)
		f.id(at, "name", s.Name)
		if seen[s.Name] {
			f.at(at, "name", "%q is the name of another slot", s.Name)
		}
		seen[s.Name] = true
		if len(s.Legend) > textMax {
			f.at(at, "legend", "%d bytes, at most %d", len(s.Legend), textMax)
		}
	}
	if b.IgnitionSlot != "" && !seen[b.IgnitionSlot] {
		f.at("", "ignition_slot", "%q is not among the slots", b.IgnitionSlot)
	}
}

func (b *Bench) checkLeads(f *faults, families []Family) {
	if len(b.Leads) == 0 || len(b.Leads) > leadsMax {
		f.at("", "", "%d leads, want 1 to %d: add [[lead]] with name, chip, input and its divider", len(b.Leads), leadsMax)
	}
	var chips, slots []string
	for _, c := range b.Chips {
		chips = append(chips, c.Name)
	}
	leadsOf := map[string]int{}
	for _, s := range b.Slots {
		slots = append(slots, s.Name)
	}
	seen := map[string]bool{}
	for i := range b.Leads {
		l := &b.Leads[i]
		at := fmt.Sprintf("lead[%d]", i)
		f.id(at, "name", l.Name)
		keys := []string{"name " + l.Name, fmt.Sprintf("input %d of chip %s", l.Input, l.Chip)}
		if l.Role != RoleSlot {
			keys = append(keys, "role "+l.Role)
		}
		for _, key := range keys {
			if seen[key] {
				f.at(at, strings.Fields(key)[0], "%s is taken by another lead", key)
			}
			seen[key] = true
		}
		l.checkWiring(f, at, chips, b.inputs(l.Chip, families))
		l.checkRole(f, at, slots)
		if l.Role == RoleSlot {
			leadsOf[l.Slot]++
		}
	}
	for i, s := range b.Slots {
		if n := leadsOf[s.Name]; n < 1 || n > 2 {
			f.at(fmt.Sprintf("slot[%d]", i), "name", "slot %q has %d leads, want 1, or 2 with their sides", s.Name, n)
		}
	}
}

// inputs is how many inputs the chip of a name has.
func (b *Bench) inputs(chip string, families []Family) int {
	for _, c := range b.Chips {
		for _, f := range families {
			if c.Name == chip && c.Family == f.Name {
				return f.Inputs
			}
		}
	}
	return 4
}

func (l *Lead) checkWiring(f *faults, at string, chips []string, inputs int) {
	if !slices.Contains(chips, l.Chip) {
		f.at(at, "chip", "%q is not among the chips%s", l.Chip, nearest(l.Chip, chips))
	}
	if l.Input < 0 || l.Input >= inputs {
		f.at(at, "input", "%d: the chip has inputs 0 to %d", l.Input, inputs-1)
	}
	for _, x := range []struct {
		key       string
		v, lo, hi float64
	}{{"upper_kohm", l.UpperKOhm, 0.1, 10000}, {"lower_kohm", l.LowerKOhm, 0.1, 10000}, {"capacitor_nf", l.CapacitorNF, 1, 100000}} {
		if !(x.v >= x.lo && x.v <= x.hi) {
			f.at(at, x.key, "%g: want %g to %g; as drawn a lead has 33 kohm over 2.7 kohm and 560 nF", x.v, x.lo, x.hi)
		}
	}
	if c := l.Calibration; c != nil {
		if !(c.Gain > 0 && c.Gain < 1e6) || !(c.UGain >= 0 && c.UGain < 1) || !(c.UOffsetV >= 0) || !(c.OffsetV > -100 && c.OffsetV < 100) {
			f.at(at+".calibration", "gain", "the calibration of lead %q makes no sense: calibrate it again", l.Name)
		}
	}
}

func (l *Lead) checkRole(f *faults, at string, slots []string) {
	roles := []string{RoleSlot, RoleBatterySense, RoleTerminal75, RoleTerminal15, RoleTerminal50, RoleTerminal61}
	if !slices.Contains(roles, l.Role) {
		f.at(at, "role", "%q is no role: have %s%s", l.Role, strings.Join(roles, ", "), nearest(l.Role, roles))
		return
	}
	if l.Role == RoleSlot && !slices.Contains(slots, l.Slot) {
		f.at(at, "slot", "%q is not among the slots%s", l.Slot, nearest(l.Slot, slots))
	}
	if l.Role != RoleSlot && l.Slot != "" {
		f.at(at, "slot", "a lead with the role %s is in no slot", l.Role)
	}
	if l.Side != "" && !slices.Contains([]string{"left", "right", "upper", "lower"}, l.Side) {
		f.at(at, "side", "%q is no side: left, right, upper or lower, with the label upright", l.Side)
	}
}

func (b *Bench) checkLimits(f *faults) {
	if len(f.list) > 0 {
		return // the core's own check needs sound leads
	}
	if err := b.Params().Check(); err != nil {
		f.at("limits", "", "%s", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
}
