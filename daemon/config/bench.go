package config

import (
	"fmt"

	"github.com/pelletier/go-toml/v2"
)

// Bench is a bench file. The zero value of an optional setting means the default
// named at it.
type Bench struct {
	ID string `toml:"id"` // [a-z0-9-]{1,32}
	// Subject is what the leads are on, "off-vehicle" or "vehicle".
	Subject string `toml:"subject"`
	// BoxFile is the box file of what the leads are in, beside this one; Box is what it
	// says, put in by Fit.
	BoxFile string `toml:"box,omitempty"`
	Box     *Box   `toml:"-"`
	// AirbagUnitsAbsent: somebody saw that no airbag or belt tensioner is connected, so
	// that the box's avoided slots may be measured; never on a vehicle.
	AirbagUnitsAbsent bool   `toml:"airbag_units_absent,omitempty"`
	IgnitionSlot      string `toml:"ignition_slot,omitempty"` // a slot known to be ignition-switched
	Cylinders         int    `toml:"cylinders,omitempty"`     // of the engine, for the cranking speed; default not known
	// Calibration names the file that keyturn calibrate writes, beside this one;
	// what it says of a lead goes before what this file says.
	Calibration string `toml:"calibration,omitempty"`
	// Store is the file that keeps the results; empty keeps them in memory only.
	Store string `toml:"store,omitempty"`
	// Health is where the daemon tells how it is: "unix:/path" or a loopback address
	// like "127.0.0.1:9170"; empty for nowhere.
	Health string `toml:"health,omitempty"`
	MQTT   MQTT   `toml:"mqtt"`
	Limits Limits `toml:"limits"`
	Buses  []Bus  `toml:"bus"`
	Chips  []Chip `toml:"chip"`
	Slots  []Slot `toml:"slot"`
	Leads  []Lead `toml:"lead"`
	// Drive and Lines are what turns the key of a box by script; never on a vehicle.
	Drive *Drive `toml:"drive,omitempty"`
	Lines []Line `toml:"line,omitempty"`
}

// MQTT says where results go.
type MQTT struct {
	Broker string `toml:"broker"`         // tcp://host:port, or ssl://host:port for TLS
	Root   string `toml:"root,omitempty"` // of all topics; default keyturn
	// Username and PasswordFile log in by password, CertFile and KeyFile by a
	// certificate; CAFile holds what the broker's certificate must be signed by,
	// default the system's. A file name without a slash is a credential of the service
	// manager, or else a file beside this one.
	Username     string `toml:"username,omitempty"`
	PasswordFile string `toml:"password_file,omitempty"`
	CAFile       string `toml:"ca_file,omitempty"`
	CertFile     string `toml:"cert_file,omitempty"`
	KeyFile      string `toml:"key_file,omitempty"`
	// Keepers are the record keepers whose receipts are waited for.
	Keepers []string `toml:"keepers,omitempty"`
	// Requests lets requests over MQTT in; default false.
	Requests bool `toml:"requests,omitempty"`
}

// Limits are thresholds and times; zero means the default of measure.Params.
type Limits struct {
	LiveAbove  float64   `toml:"live_above,omitempty"` // fraction of the battery
	DeadBelow  float64   `toml:"dead_below,omitempty"`
	LiveAboveV float64   `toml:"live_above_v,omitempty"` // without a battery sense lead
	DeadBelowV float64   `toml:"dead_below_v,omitempty"`
	GhostBelow float64   `toml:"ghost_below,omitempty"`
	WatchS     float64   `toml:"watch_s,omitempty"` // after key-off
	GapMaxMS   float64   `toml:"gap_max_ms,omitempty"`
	BounceMS   float64   `toml:"bounce_max_ms,omitempty"`
	BelowV     []float64 `toml:"below_v,omitempty"` // falling
	// AsleepBelowMA is the current below which a vehicle is asleep.
	AsleepBelowMA float64 `toml:"asleep_below_ma,omitempty"`
}

// Bus is one I2C bus.
type Bus struct {
	Name string `toml:"name"`         // /dev/i2c-1
	Hz   int    `toml:"hz,omitempty"` // its clock; default 400000
	// SplitRead: registers are read in two transactions, for buses that go on
	// though the chip did not acknowledge (Raspberry Pi before the 5).
	SplitRead bool `toml:"split_read,omitempty"`
}

// Chip is one converter on a bus.
type Chip struct {
	Name    string  `toml:"name"`
	Family  string  `toml:"family"` // ads1115, ads1015; ina226 for a shunt
	Bus     string  `toml:"bus"`
	Address int     `toml:"address"`           // 0x48 to 0x4b; ina226: 0x40 to 0x4f
	Rate    int     `toml:"rate,omitempty"`    // samples a second; default the fastest; ina226: the slowest
	RangeV  float64 `toml:"range_v,omitempty"` // full scale at the pin; default 4.096; ina226: 0.08192
	// CrankLead is the one lead that the chip serves in crank mode, without a
	// pause; its other leads are not seen then.
	CrankLead string `toml:"crank_lead,omitempty"`
}

// Slot is one fuse position.
type Slot struct {
	Name   string `toml:"name"`
	Legend string `toml:"legend,omitempty"`
	// Fuse is how the slot is fitted for what is measured: in, out or blown; default
	// not said.
	Fuse string `toml:"fuse,omitempty"`
}

// Lead is one probe lead.
type Lead struct {
	Name  string `toml:"name"`
	Chip  string `toml:"chip"`
	Input int    `toml:"input"` // from 0
	// Role is slot (the default), battery-sense, terminal-75, terminal-15,
	// terminal-50, terminal-61 or current.
	Role string `toml:"role,omitempty"`
	Slot string `toml:"slot,omitempty"`
	Side string `toml:"side,omitempty"` // left, right, upper, lower: where a slot has two
	// The divider and its capacitor give gain and time constants; a current lead has
	// none.
	UpperKOhm   float64 `toml:"upper_kohm,omitempty"`
	LowerKOhm   float64 `toml:"lower_kohm,omitempty"`
	CapacitorNF float64 `toml:"capacitor_nf,omitempty"`
	// ShuntMOhm is what a current lead measures across, ShuntPercent its tolerance;
	// default 1.
	ShuntMOhm    float64      `toml:"shunt_mohm,omitempty"`
	ShuntPercent float64      `toml:"shunt_percent,omitempty"`
	UTau         float64      `toml:"u_tau,omitempty"` // of the time constants, relative, k = 1; default 0.03
	Calibration  *Calibration `toml:"calibration,omitempty"`
}

// Calibration is what was found at two points; it goes before the divider.
type Calibration struct {
	Gain          float64 `toml:"gain"` // lead volts per pin volt
	OffsetV       float64 `toml:"offset_v"`
	UGain         float64 `toml:"u_gain"` // relative, k = 1
	UOffsetV      float64 `toml:"u_offset_v"`
	Date          string  `toml:"date"`             // YYYY-MM-DD
	TauUS         float64 `toml:"tau_us,omitempty"` // driven
	TauFloatingUS float64 `toml:"tau_floating_us,omitempty"`
	UTau          float64 `toml:"u_tau,omitempty"`          // relative, k = 1
	UTauFloating  float64 `toml:"u_tau_floating,omitempty"` // default u_tau
}

// Family is a chip family as the program knows it.
type Family struct {
	Name      string // as in a bench file
	Inputs    int
	Addresses []int
	Rates     []int     // samples a second, rising
	RangesV   []float64 // full scales
	Shunt     bool      // it measures across a shunt: for current leads, and no others
}

// The roles of a lead.
const (
	RoleSlot         = "slot"
	RoleBatterySense = "battery-sense"
	RoleTerminal75   = "terminal-75"
	RoleTerminal15   = "terminal-15"
	RoleTerminal50   = "terminal-50"
	RoleTerminal61   = "terminal-61"
	RoleCurrent      = "current"
)

// ParseBench reads a bench file. The error is a Faults: all there are.
func ParseBench(data []byte, families []Family) (Bench, error) {
	f := &faults{lines: linesOf(data)}
	b, ok := decode[Bench](f, "a bench file", data)
	if ok {
		b.fill()
		b.check(f, families)
	}
	if len(f.list) > 0 {
		return Bench{}, f.err()
	}
	return b, nil
}

// TOML writes the file that ParseBench reads as the same bench.
func (b Bench) TOML() ([]byte, error) {
	out, err := toml.Marshal(b)
	if err != nil {
		return nil, fmt.Errorf("write bench %s: %w", b.ID, err)
	}
	return out, nil
}

// fill sets the defaults that other settings are checked against.
func (b *Bench) fill() {
	if b.MQTT.Root == "" {
		b.MQTT.Root = "keyturn"
	}
	if len(b.Slots) == 0 {
		b.Slots = nil // an empty list is none
	}
	if len(b.Limits.BelowV) == 0 {
		b.Limits.BelowV = nil
	}
	for i := range b.Buses {
		if b.Buses[i].Hz == 0 {
			b.Buses[i].Hz = 400000
		}
	}
	for i := range b.Leads {
		if b.Leads[i].Role == "" {
			b.Leads[i].Role = RoleSlot
		}
	}
}
