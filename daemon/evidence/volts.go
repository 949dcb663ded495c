package evidence

import (
	"slices"

	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// levels are what a slot read at rest in each key position. A slot is live where one of its
// sides is, and has no volts only where that is known of every side. What collapsed under the
// bleed resistor is a ghost where that was tried; elsewhere it may be one.
func levels(s *protocol.CycleSlot) (out []judge.Level) {
	ghost := s.Source != nil && s.Source.Finding == protocol.SourceGhost
	for i := range s.Leads {
		for _, x := range s.Leads[i].Levels {
			if slices.ContainsFunc(out, func(l judge.Level) bool { return l.Position == string(x.Position) }) {
				continue
			}
			l, ok := levelIn(s.Leads, x.Position)
			if ok && ghost && l.Live == judge.Yes {
				l.Live, ok = judge.No, x.Position == s.Source.Position
			}
			if ok {
				out = append(out, l)
			}
		}
	}
	return out
}

// levelIn is what a slot read in a position: the side with the most volts.
func levelIn(leads []protocol.CycleLead, p protocol.Position) (judge.Level, bool) {
	out, unknown := judge.Level{Position: string(p), Live: judge.NotKnown}, false
	for i := range leads {
		k := slices.IndexFunc(leads[i].Levels, func(x protocol.PositionLevel) bool { return x.Position == p })
		if k < 0 {
			unknown = true
			continue
		}
		x, live := &leads[i].Levels[k], judge.No
		switch x.State {
		case protocol.Live:
			live = judge.Yes
		case protocol.Dead:
		default:
			unknown = true
			continue
		}
		if out.Live == judge.NotKnown || live == judge.Yes && out.Live == judge.No || live == out.Live && float64(x.V) > out.V {
			out.Live, out.V, out.UV = live, float64(x.V), float64(x.UV)
		}
	}
	return out, out.Live == judge.Yes || out.Live == judge.No && !unknown
}

// wave is what the lead with a slot's lowest voltage read through that start; empty where
// that was not recorded.
func wave(leads []protocol.CycleLead) []judge.Window {
	least := report.LowestSag(leads...)
	for i := range leads {
		w := leads[i].Wave
		if w == nil || len(w.EndMS) != len(w.V) {
			continue
		}
		if slices.ContainsFunc(leads[i].Crank, func(k protocol.Crank) bool { return k.ID == w.Crank && k.Sag == least && least != nil }) {
			return windows(w)
		}
	}
	return nil
}

// windows are the stretches of a waveform. Samples are windows with a time between them, in
// which the voltage is taken for a straight line: half of that time is taken off each end of
// a stretch, which leaves the area under the curve as it was.
func windows(w *protocol.CrankWave) (out []judge.Window) {
	begin := 0.0
	for i, v := range w.V {
		end := float64(w.EndMS[i]) * 1e-3
		if end <= begin {
			continue
		}
		half := min(float64(w.ApartMS)*1e-3, narrowest*(end-begin)) / 2
		out = append(out, judge.Window{FromS: begin + half, ToS: end - half, V: float64(v)})
		begin = end
	}
	return out
}

// narrowest is the part of a stretch that the time between two samples takes at most.
const narrowest = 0.9
