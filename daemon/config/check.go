package config

import (
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
)

var isID = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)

// What a bench file may hold at most; textMax in bytes.
const (
	busesMax = 16
	chipsMax = 64
	leadsMax = 256
	slotsMax = 128
	linesMax = 96
	textMax  = 80
	// keepersMax is how many record keepers a store takes receipts of.
	keepersMax = 16
	// rootLevelsMax is what topics allow.
	rootLevelsMax = 4
)

// check notes every fault of a bench.
func (b *Bench) check(f *faults, families []Family) {
	if !b.checkCounts(f) {
		return
	}
	f.id("", "id", b.ID)
	if b.Cylinders < 0 || b.Cylinders > 16 {
		f.at("", "cylinders", "%d is no number of cylinders; write 1 to 16, or leave it out", b.Cylinders)
	}
	for _, x := range [][2]string{{"store", b.Store}, {"calibration", b.Calibration}, {"box", b.BoxFile}} {
		if len(x[1]) > textMax {
			f.at("", x[0], "a file name of %d bytes; write at most %d", len(x[1]), textMax)
		}
	}
	b.checkSubject(f)
	b.checkMQTT(f)
	b.checkBuses(f)
	b.checkChips(f, families)
	b.checkSlots(f)
	b.checkLeads(f, families)
	b.checkCrankLeads(f, families)
	b.checkLimits(f)
	b.checkDrive(f)
	if len(f.list) > 0 {
		return // the core's own check needs sound values
	}
	if err := b.Params().Check(); err != nil {
		f.at("limits", "", "%s; correct the limits", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
}

// checkCounts notes lists that are missing, and reports whether none is too long
// to go through.
func (b *Bench) checkCounts(f *faults) bool {
	ok := true
	for _, x := range []struct {
		list        string
		n, min, max int
		add         string
	}{
		{"bus", len(b.Buses), 1, busesMax, `name = "/dev/i2c-1"`},
		{"chip", len(b.Chips), 1, chipsMax, "name, family, bus and address"},
		{"slot", len(b.Slots), 0, slotsMax, ""},
		{"lead", len(b.Leads), 1, leadsMax, "name, chip, input and its divider"},
		{"line", len(b.Lines), 0, linesMax, ""},
	} {
		if x.n < x.min {
			f.at("", "", "no %s; add [[%s]] with %s", x.list, x.list, x.add)
		}
		if x.n > x.max {
			f.at(x.list, "", "%d times [[%s]]; at most %d", x.n, x.list, x.max)
			ok = false
		}
	}
	return ok
}

// What the leads of a bench are on.
const (
	offVehicle = "off-vehicle"
	onVehicle  = "vehicle"
)

func (b *Bench) checkSubject(f *faults) {
	const words = `write "off-vehicle" (a box or training board on a bench supply) or "vehicle" (a person turns the ignition key)`
	switch b.Subject {
	case offVehicle, onVehicle:
	case "":
		f.at("", "subject", "missing; %s", words)
	default:
		f.at("", "subject", "%q is no subject; %s", b.Subject, words)
	}
	if b.AirbagUnitsAbsent && b.Subject == onVehicle {
		f.at("", "airbag_units_absent", "on a vehicle no slot that is avoided is touched, with airbag units or without; remove it")
	}
}

func (b *Bench) checkMQTT(f *faults) {
	schemes := []string{"tcp", "mqtt", "ssl", "tls", "mqtts", "ws", "wss"}
	if strings.Contains(b.MQTT.Broker, "@") { // before anything quotes it
		f.at("mqtt", "broker", "a name or password in it ends up in logs; write username and password_file beside it")
	} else if u, err := url.Parse(b.MQTT.Broker); err != nil || u.Host == "" || !slices.Contains(schemes, u.Scheme) {
		f.at("mqtt", "broker", "%q is no broker; write it like \"tcp://localhost:1883\"", b.MQTT.Broker)
	}
	m := &b.MQTT
	for _, x := range [][2]string{{"username", m.Username}, {"password_file", m.PasswordFile}, {"ca_file", m.CAFile}, {"cert_file", m.CertFile}, {"key_file", m.KeyFile}} {
		if len(x[1]) > textMax {
			f.at("mqtt", x[0], "%d bytes; write at most %d", len(x[1]), textMax)
		}
	}
	b.checkAccess(f)
	levels := strings.Split(b.MQTT.Root, "/")
	if len(levels) > rootLevelsMax || slices.ContainsFunc(levels, func(x string) bool { return !isID.MatchString(x) }) {
		f.at("mqtt", "root", "%q is no topic root; use one to four levels of a-z, 0-9 and -, joined by /", b.MQTT.Root)
	}
}

// checkAccess notes settings that do not go together.
func (b *Bench) checkAccess(f *faults) {
	m := &b.MQTT
	if (m.CAFile != "" || m.CertFile != "" || m.KeyFile != "") && !b.secure() {
		f.at("mqtt", "broker", "certificates are for TLS; write the broker like \"ssl://host:8883\"")
	}
	switch {
	case m.CertFile != "" && m.KeyFile == "":
		f.at("mqtt", "cert_file", "a certificate without its key; add key_file")
	case m.CertFile == "" && m.KeyFile != "":
		f.at("mqtt", "key_file", "a key without its certificate; add cert_file")
	}
	if m.PasswordFile != "" && m.Username == "" {
		f.at("mqtt", "password_file", "a password without a user name; add username")
	}
	if len(m.Keepers) > keepersMax {
		f.at("mqtt", "keepers", "%d record keepers; at most %d", len(m.Keepers), keepersMax)
	}
	for _, k := range m.Keepers {
		if !isID.MatchString(k) {
			f.at("mqtt", "keepers", "%q is no id; use a-z, 0-9 and -", k)
		}
	}
	if len(m.Keepers) > 0 && b.Store == "" {
		f.at("mqtt", "keepers", "receipts are of no use without a store; add store = \"...\"")
	}
	if b.Health != "" && !strings.HasPrefix(b.Health, "unix:/") && !loopback.MatchString(b.Health) {
		f.at("", "health", "%q is neither \"unix:/path\" nor a loopback address like \"127.0.0.1:9170\"; write one of them, for whoever reaches it may read it", b.Health)
	}
}

// secure reports whether the broker is spoken to over TLS.
func (b *Bench) secure() bool {
	scheme, _, _ := strings.Cut(b.MQTT.Broker, "://")
	return slices.Contains([]string{"ssl", "tls", "mqtts", "wss"}, scheme)
}

// loopback is an address that only this machine can reach.
var loopback = regexp.MustCompile(`^(127\.\d{1,3}\.\d{1,3}\.\d{1,3}|localhost|\[::1\]):\d{1,5}$`)

func (b *Bench) checkBuses(f *faults) {
	seen := map[string]bool{}
	for i, x := range b.Buses {
		at := fmt.Sprintf("bus[%d]", i)
		switch {
		case x.Name == "" || len(x.Name) > textMax:
			f.at(at, "name", "%q is no bus; write it like \"/dev/i2c-1\"", x.Name)
		case seen[x.Name]:
			f.at(at, "name", "%q is there already; write each bus once", x.Name)
		}
		seen[x.Name] = true
		f.within(at, []bound{{"hz", float64(x.Hz), 10e3, 3.4e6, "usually 400000"}})
	}
}

func (b *Bench) checkChips(f *faults, families []Family) {
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
		f.oneOf(at, "bus", c.Bus, "among the buses", buses)
		f.once(seen, at, "name", fmt.Sprintf("%q", c.Name), "chip")
		f.once(seen, at, "address", fmt.Sprintf("%#x on %s", c.Address, c.Bus), "chip")
		if f.oneOf(at, "family", c.Family, "a chip family", names) {
			c.checkFamily(f, at, families[slices.Index(names, c.Family)])
		}
	}
}

// checkCrankLeads notes crank leads that are not on their chip.
func (b *Bench) checkCrankLeads(f *faults, families []Family) {
	for i, c := range b.Chips {
		if c.CrankLead == "" {
			continue
		}
		var names []string
		for _, l := range b.Leads {
			if l.Chip == c.Name {
				names = append(names, l.Name)
			}
		}
		if familyOf(c.Family, families).Shunt {
			f.at(fmt.Sprintf("chip[%d]", i), "crank_lead", "a shunt monitor serves no start; remove it")
			continue
		}
		f.oneOf(fmt.Sprintf("chip[%d]", i), "crank_lead", c.CrankLead, "among the leads of chip "+c.Name, names)
	}
}

// checkFamily notes the settings that a chip of the family does not have.
func (c *Chip) checkFamily(f *faults, at string, family Family) {
	if !slices.Contains(family.Addresses, c.Address) {
		f.at(at, "address", "%#x is no address of %s; write one of %#x", c.Address, family.Name, family.Addresses)
	}
	if c.Rate != 0 && !slices.Contains(family.Rates, c.Rate) {
		f.at(at, "rate", "%d is no rate of %s; write one of %v", c.Rate, family.Name, family.Rates)
	}
	if c.RangeV != 0 && !slices.Contains(family.RangesV, c.RangeV) {
		f.at(at, "range_v", "%g is no range of %s; write one of %v", c.RangeV, family.Name, family.RangesV)
	}
}

// once notes a value that only one of a kind may have and another has already.
func (f *faults) once(seen map[string]bool, at, key, value, kind string) {
	if seen[key+" "+value] {
		f.at(at, key, "%s is that of another %s; give each its own", value, kind)
	}
	seen[key+" "+value] = true
}

// checkLimits notes limits that are no sensible numbers; the core's check knows
// how they must lie to each other.
func (b *Bench) checkLimits(f *faults) {
	l := &b.Limits
	f.within("limits", []bound{
		{"live_above", l.LiveAbove, 0, 1, "a fraction of the battery"},
		{"dead_below", l.DeadBelow, 0, 1, "a fraction of the battery"},
		{"ghost_below", l.GhostBelow, 0, 1, "a fraction of the battery"},
		{"live_above_v", l.LiveAboveV, 0, 100, ""},
		{"dead_below_v", l.DeadBelowV, 0, 100, ""},
		{"watch_s", l.WatchS, 0, 86400, ""},
		{"gap_max_ms", l.GapMaxMS, 0, 10000, ""},
		{"bounce_max_ms", l.BounceMS, 0, 1000, ""},
		{"asleep_below_ma", l.AsleepBelowMA, 0, 10000, "usually 50"},
	})
	for _, v := range l.BelowV {
		if !(v > 0 && v <= 100) {
			f.at("limits", "below_v", "%g is no limit of a start; write volts above 0 to 100, falling", v)
		}
	}
}
