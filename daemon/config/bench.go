package config

import (
	"bytes"
	"fmt"
	"time"

	"github.com/pelletier/go-toml/v2"

	"keyturn/adc"
	"keyturn/daemon/measure"
)

// Bench is a bench file. The zero value of an optional setting means the default
// named at it.
type Bench struct {
	ID string `toml:"id"` // [a-z0-9-]{1,32}
	// Subject is what the leads are on, "off-vehicle" or "vehicle".
	Subject      string `toml:"subject"`
	IgnitionSlot string `toml:"ignition_slot,omitempty"` // a slot known to be ignition-switched
	MQTT         MQTT   `toml:"mqtt"`
	Limits       Limits `toml:"limits"`
	Buses        []Bus  `toml:"bus"`
	Chips        []Chip `toml:"chip"`
	Slots        []Slot `toml:"slot"`
	Leads        []Lead `toml:"lead"`
}

// MQTT says where results go.
type MQTT struct {
	Broker string `toml:"broker"`         // tcp://host:port
	Root   string `toml:"root,omitempty"` // of all topics; default keyturn
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
	Family  string  `toml:"family"` // ads1115, ads1015
	Bus     string  `toml:"bus"`
	Address int     `toml:"address"`           // 0x48 to 0x4b
	Rate    int     `toml:"rate,omitempty"`    // samples a second; default the fastest
	RangeV  float64 `toml:"range_v,omitempty"` // full scale at the pin; default 4.096
}

// Slot is one fuse position.
type Slot struct {
	Name   string `toml:"name"`
	Legend string `toml:"legend,omitempty"`
}

// Lead is one probe lead.
type Lead struct {
	Name  string `toml:"name"`
	Chip  string `toml:"chip"`
	Input int    `toml:"input"` // from 0
	// Role is slot (the default), battery-sense, terminal-75, terminal-15,
	// terminal-50 or terminal-61.
	Role string `toml:"role,omitempty"`
	Slot string `toml:"slot,omitempty"`
	Side string `toml:"side,omitempty"` // left, right, upper, lower: where a slot has two
	// The divider and its capacitor give gain and time constants.
	UpperKOhm   float64      `toml:"upper_kohm"`
	LowerKOhm   float64      `toml:"lower_kohm"`
	CapacitorNF float64      `toml:"capacitor_nf"`
	Calibration *Calibration `toml:"calibration,omitempty"`
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
	UTau          float64 `toml:"u_tau,omitempty"` // relative, k = 1
}

// Uncertainties of a lead that was never calibrated: two 1 % resistors and a 5 %
// capacitor, each even within its tolerance (JCGM 100:2008, 4.3.7).
const (
	nominalUGain    = 0.0075
	nominalUOffsetV = 0.02
	nominalUTau     = 0.03
)

// Family is a chip family as the program knows it.
type Family struct {
	Name      string // as in a bench file
	Inputs    int
	Addresses []int
	Rates     []int     // samples a second, rising
	RangesV   []float64 // full scales
}

// The roles of a lead.
const (
	RoleSlot         = "slot"
	RoleBatterySense = "battery-sense"
	RoleTerminal75   = "terminal-75"
	RoleTerminal15   = "terminal-15"
	RoleTerminal50   = "terminal-50"
	RoleTerminal61   = "terminal-61"
)

// ParseBench reads a bench file. The error is a Faults: all there are.
func ParseBench(data []byte, families []Family) (Bench, error) {
	f := &faults{text: data}
	var b Bench
	d := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := d.Decode(&b); err != nil {
		if !f.decoding(err) {
			return Bench{}, f.err()
		}
	}
	b.fill()
	b.check(f, families)
	return b, f.err()
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

// Params is what the measuring core is told.
func (b Bench) Params() measure.Params {
	p := measure.Params{
		BatterySense: measure.NoLead, Key: measure.NoKeySense(),
		LiveAbove: b.Limits.LiveAbove, DeadBelow: b.Limits.DeadBelow,
		LiveAboveV: b.Limits.LiveAboveV, DeadBelowV: b.Limits.DeadBelowV, GhostBelow: b.Limits.GhostBelow,
		WatchFor: duration(b.Limits.WatchS, time.Second), GapMax: duration(b.Limits.GapMaxMS, time.Millisecond),
		BounceMax: duration(b.Limits.BounceMS, time.Millisecond), BelowV: b.Limits.BelowV,
	}
	at := map[string]int{}
	for i, s := range b.Slots {
		at[s.Name] = i
		p.Slots = append(p.Slots, measure.Slot{Name: s.Name, Legend: s.Legend})
	}
	for i := range b.Leads {
		l := &b.Leads[i]
		p.Leads = append(p.Leads, l.lead())
		switch l.Role {
		case RoleBatterySense:
			p.BatterySense = i
		case RoleTerminal75:
			p.Key.Accessory = i
		case RoleTerminal15:
			p.Key.On = i
		case RoleTerminal50:
			p.Key.Start = i
		case RoleTerminal61:
			p.Key.Running = i
		default:
			if k, ok := at[l.Slot]; ok {
				p.Slots[k].Leads = append(p.Slots[k].Leads, measure.SlotLead{Lead: i, Side: l.Side})
			}
			if l.Slot == b.IgnitionSlot && b.IgnitionSlot != "" && p.Key.IgnitionSlot == measure.NoLead {
				p.Key.IgnitionSlot = i
			}
		}
	}
	return p
}

// lead is the lead as the core knows it: calibrated, or by its nominal divider.
func (l *Lead) lead() adc.Lead {
	upper, lower := l.UpperKOhm*1e3, l.LowerKOhm*1e3
	farad := l.CapacitorNF * 1e-9
	out := adc.Lead{
		Name: l.Name, Chip: l.Chip, Input: l.Input,
		Tau:         time.Duration(upper * lower / (upper + lower) * farad * 1e9),
		TauFloating: time.Duration(lower * farad * 1e9),
		UTau:        nominalUTau,
		Calibration: adc.Calibration{Gain: (upper + lower) / lower, UGain: nominalUGain, UOffsetV: nominalUOffsetV},
	}
	if c := l.Calibration; c != nil {
		out.Calibration = adc.Calibration{Gain: c.Gain, OffsetV: c.OffsetV, UGain: c.UGain, UOffsetV: c.UOffsetV, Date: c.Date}
		if c.TauUS > 0 {
			out.Tau = duration(c.TauUS, time.Microsecond)
		}
		if c.TauFloatingUS > 0 {
			out.TauFloating = duration(c.TauFloatingUS, time.Microsecond)
		}
		if c.UTau > 0 {
			out.UTau = c.UTau
		}
	}
	return out
}

func duration(v float64, unit time.Duration) time.Duration { return time.Duration(v * float64(unit)) }
