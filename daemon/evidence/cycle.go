// Package evidence takes out of documents and box files what is judged: the small values
// that the judge decides on.
//
// It is pure: documents in, values out. It decides nothing, and it fills no gap: what a
// document does not say stays unknown.
package evidence

import (
	"math"

	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// Cycle takes from a key cycle what two of them are compared by.
func Cycle(c *protocol.Cycle) *judge.Cycle {
	out := &judge.Cycle{Battery: dip(report.BatterySag(c))}
	for _, k := range c.Key {
		out.Positions = append(out.Positions, string(k.Position))
	}
	for i := range c.Slots {
		out.Slots = append(out.Slots, slot(c, &c.Slots[i]))
	}
	return out
}

// slot is what a key cycle shows of a slot.
func slot(c *protocol.Cycle, s *protocol.CycleSlot) judge.Slot {
	x := judge.Slot{Name: s.Slot, Behaviour: judge.Behaviour(s.Behaviour), OffInStart: s.OffInStart, Lowest: dip(report.LowestSag(s.Leads...))}
	for _, p := range s.Possible {
		x.Possible = append(x.Possible, judge.Behaviour(p))
	}
	if t, k := report.Follows(c, s); t != nil {
		x.OnAfter = &judge.Time{S: float64(t.AtNS-k.AtNS) * 1e-9, US: math.Hypot(float64(t.UUS), float64(k.UUS)) * 1e-6}
	}
	if s.StaysOnS != nil {
		x.StaysOn = &judge.Time{S: float64(*s.StaysOnS), Open: s.StaysOnOpen}
		if s.StaysOnUMS != nil {
			x.StaysOn.US = float64(*s.StaysOnUMS) * 1e-3
		}
	}
	if n := len(c.Key); n > 0 && c.Key[n-1].Position == protocol.PositionOff {
		x.WatchedOffS = max(0, min(float64(s.WatchedS), (float64(c.MonoNS)-float64(c.Key[n-1].AtNS))*1e-9))
	}
	return x
}

func dip(k *protocol.Sag) *judge.Dip {
	if k == nil {
		return nil
	}
	return &judge.Dip{V: float64(k.MinV), UV: float64(k.MinUV), HiddenV: float64(k.HiddenDipV), AtOrBelow: k.AtOrBelow}
}
