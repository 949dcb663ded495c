package config

import (
	"cmp"
	"math"
	"time"

	"keyturn/adc"
	"keyturn/daemon/measure"
)

// Uncertainties of a lead that was never calibrated: two 1 % resistors and a 5 %
// capacitor, each even within its tolerance (JCGM 100:2008, 4.3.7).
const (
	nominalUGain    = 0.0075
	nominalUOffsetV = 0.02
	nominalUTau     = 0.03
)

// Uncertainties of a shunt monitor that was never calibrated: gain 0.1 % and 50 ppm/K,
// offset 10 µV and 0.1 µV/K at most, over 25 K (SBOS547, values from memory), each even
// within its limits. tolerancePercent is that of a shunt of which nothing is said.
const (
	root3            = 1.7320508
	monitorUGain     = (0.001 + 50e-6*25) / root3
	monitorUOffsetV  = (10e-6 + 0.1e-6*25) / root3
	tolerancePercent = 1
)

// Params is what the measuring core is told.
func (b Bench) Params() measure.Params {
	p := measure.Params{
		BatterySense: measure.NoLead, Key: measure.NoKeySense(),
		LiveAbove: b.Limits.LiveAbove, DeadBelow: b.Limits.DeadBelow,
		LiveAboveV: b.Limits.LiveAboveV, DeadBelowV: b.Limits.DeadBelowV, GhostBelow: b.Limits.GhostBelow,
		WatchFor: duration(b.Limits.WatchS, time.Second), GapMax: duration(b.Limits.GapMaxMS, time.Millisecond),
		BounceMax: duration(b.Limits.BounceMS, time.Millisecond), BelowV: b.Limits.BelowV,
		AsleepBelowA: b.Limits.AsleepBelowMA / 1e3,
	}
	for i := range b.Lines {
		if l := &b.Lines[i]; l.Role == LineTestLoad || l.Role == LineBleedResistor {
			p.TestLines = append(p.TestLines, l.Name)
		}
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
		case RoleCurrent: // its shunt tells
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
		UTau:        nominalUTau, UTauFloating: nominalUTau,
		Calibration: adc.Calibration{Gain: (upper + lower) / lower, UGain: nominalUGain, UOffsetV: nominalUOffsetV},
	}
	if l.UTau > 0 {
		out.UTau, out.UTauFloating = l.UTau, l.UTau
	}
	if l.Role == RoleCurrent {
		out.Tau, out.TauFloating, out.UTau, out.UTauFloating = 0, 0, 0, 0
		out.Calibration = adc.Calibration{Gain: 1, UGain: monitorUGain, UOffsetV: monitorUOffsetV}
		out.Shunt = adc.Shunt{Ohm: l.ShuntMOhm / 1e3, U: cmp.Or(l.ShuntPercent, tolerancePercent) / 100 / root3}
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
			out.UTau, out.UTauFloating = c.UTau, c.UTau
		}
		if c.UTauFloating > 0 {
			out.UTauFloating = c.UTauFloating
		}
	}
	return out
}

// duration rounds, for a written 1401.487 us is a little less as a float.
func duration(v float64, unit time.Duration) time.Duration {
	return time.Duration(math.Round(v * float64(unit)))
}
