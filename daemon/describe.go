package daemon

import (
	"slices"
	"time"

	"keyturn/adc"
	"keyturn/daemon/config"
	"keyturn/protocol"
)

// Describe is what a bench says of itself, from its configuration. bound returns
// the longest sample interval that the plan of a chip allows.
func Describe(b config.Bench, software string, bound func(chip string) time.Duration) protocol.Description {
	p := b.Params().WithDefaults()
	d := protocol.Description{Software: software, Subject: protocol.Subject(b.Subject)}
	name := func(lead int) protocol.OrNull {
		if lead < 0 {
			return ""
		}
		return protocol.OrNull(p.Leads[lead].Name)
	}
	d.BatterySense = name(p.BatterySense)
	d.KeySense = protocol.KeySense{
		Terminal75: name(p.Key.Accessory), Terminal15: name(p.Key.On), Terminal50: name(p.Key.Start),
		Terminal61: name(p.Key.Running), IgnitionSlot: name(p.Key.IgnitionSlot),
	}
	for i, l := range p.Leads {
		c := l.Calibration
		d.Leads = append(d.Leads, protocol.BenchLead{
			Lead: l.Name, Slot: protocol.OrNull(b.Leads[i].Slot), Side: protocol.OrNull(b.Leads[i].Side), Chip: l.Chip, Input: l.Input,
			TauUS: protocol.MicrosOf(l.Tau), TauFloatingUS: protocol.MicrosOf(l.TauFloating), UTau: protocol.Ratio(l.UTau), UTauFloating: protocol.Ratio(l.UTauFloating),
			Calibration: protocol.Calibration{Date: protocol.OrNull(c.Date), Gain: protocol.Ratio(c.Gain), OffsetV: protocol.Volts(c.OffsetV),
				UGain: protocol.Ratio(c.UGain), UOffsetV: protocol.Volts(c.UOffsetV)},
			Shunt:           describeShunt(&l),
			IntervalBoundUS: protocol.MicrosOf(bound(l.Chip)),
		})
	}
	d.Box = describeBox(b.Box)
	for i, s := range p.Slots {
		x := protocol.BenchSlot{Slot: s.Name, Legend: protocol.OrNull(s.Legend), Fuse: protocol.Fuse(b.Slots[i].Fuse)}
		if place := b.Box.Slot(s.Name); place != nil {
			x.Place = &protocol.Place{Row: place.Row, Column: place.Column}
			x.Sides = place.Sides()
		}
		for _, l := range s.Leads {
			x.Leads = append(x.Leads, p.Leads[l.Lead].Name)
		}
		d.Slots = append(d.Slots, x)
	}
	for _, c := range b.Chips {
		d.Chips = append(d.Chips, protocol.BenchChip{Chip: c.Name, Family: c.Family, Bus: c.Bus, Address: c.Address,
			RateHz: protocol.Ratio(c.Rate), FullScaleV: protocol.Volts(c.RangeV)})
	}
	d.Limits = protocol.Limits{
		LiveAbove: protocol.Ratio(p.LiveAbove), DeadBelow: protocol.Ratio(p.DeadBelow),
		LiveAboveV: protocol.Volts(p.LiveAboveV), DeadBelowV: protocol.Volts(p.DeadBelowV), GhostBelow: protocol.Ratio(p.GhostBelow),
		WatchS: protocol.SecondsOf(p.WatchFor), GapMaxMS: protocol.MillisOf(p.GapMax), BounceMS: protocol.MillisOf(p.BounceMax),
	}
	if slices.ContainsFunc(p.Leads, func(l adc.Lead) bool { return l.IsCurrent() }) {
		d.Limits.AsleepBelowMA = milliAmps(p.AsleepBelowA)
	}
	for _, v := range p.BelowV {
		d.Limits.BelowV = append(d.Limits.BelowV, protocol.Volts(v))
	}
	return d
}

// describeBox is the box as the bench tells of it; nil without one.
func describeBox(b *config.Box) *protocol.BenchBox {
	if b == nil {
		return nil
	}
	return &protocol.BenchBox{Box: b.ID, Datum: b.Datum, Zone: b.Zone, Rows: b.Rows, Columns: b.Columns}
}
