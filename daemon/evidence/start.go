package evidence

import (
	"keyturn/daemon/judge"
	"keyturn/protocol"
)

// This file takes from a key cycle what a capacitor is charged to before a start, and whether
// it is charged again while the engine turns.

// beforeStart is the least volts that a slot had before a start; where it took part in none,
// what it had with the key at on, which is before every start; else what its battery had; 0
// where there was no start either.
func beforeStart(c *protocol.Cycle, s *protocol.CycleSlot) float64 {
	least := 0.0
	take := func(leads ...protocol.CycleLead) {
		for i := range leads {
			for _, k := range leads[i].Crank {
				if k.Sag != nil && (least == 0 || float64(k.BeforeV) < least) {
					least = float64(k.BeforeV)
				}
			}
		}
	}
	take(s.Leads...)
	if on, ok := levelIn(s.Leads, protocol.PositionOn); least == 0 && ok && on.Live == judge.Yes {
		least = on.V
	}
	if least == 0 && c.Battery != nil {
		take(*c.Battery)
	}
	return least
}

// trough is the least volts that a slot had while the engine turned, after the inrush, in all
// its starts; 0 where that is not known of one of them.
func trough(c *protocol.Cycle, s *protocol.CycleSlot) float64 {
	least := 0.0
	for i := range s.Leads {
		l := &s.Leads[i]
		for j := range l.Crank {
			k := &l.Crank[j]
			if k.Sag == nil {
				continue
			}
			v := troughOf(l, k, c.Battery)
			if v == 0 {
				return 0
			}
			if least == 0 || v < least {
				least = v
			}
		}
	}
	return least
}

// troughOf is that of a start: by its waveform, and by the compression strokes, which the
// battery shows; the lower where there are both, 0 where there is neither.
func troughOf(l *protocol.CycleLead, k *protocol.Crank, battery *protocol.CycleLead) float64 {
	v := waveTrough(l.Wave, k)
	if r := strokes(k, battery); r != nil {
		if w := float64(k.PlateauV - r.V); v == 0 || w < v {
			v = w
		}
	}
	return max(0, v)
}

// strokes are the compression strokes of a start, as its lead or the battery shows them.
func strokes(k *protocol.Crank, battery *protocol.CycleLead) *protocol.Ripple {
	if k.Ripple != nil || battery == nil {
		return k.Ripple
	}
	for i := range battery.Crank {
		b := &battery.Crank[i]
		if b.Sag != nil && b.Ripple != nil && b.BeginsNotBeforeNS < k.EndsNS && k.BeginsNotBeforeNS < b.EndsNS {
			return b.Ripple
		}
	}
	return nil
}

const (
	// inrushNS is the part of a start before its plateau.
	inrushNS = 100e6
	// stretchMostMS is the longest stretch of a waveform whose mean tells of a trough: of
	// strokes of 0.1 s (six cylinders at 200 turns a minute) it misses a third of the amplitude.
	stretchMostMS = 50
)

// waveTrough is the least stretch of a waveform from the inrush on to the start's end; 0 where
// it is of another start, does not reach so far, or is too coarse.
func waveTrough(w *protocol.CrankWave, k *protocol.Crank) float64 {
	if w == nil || w.Crank != k.ID || len(w.EndMS) != len(w.V) {
		return 0
	}
	ms := func(ns int64) float64 { return float64(ns-w.BeginNS) * 1e-6 }
	from, to := ms(k.BeginsNotAfterNS+inrushNS), ms(k.EndsNS)
	least, begin := 0.0, 0.0
	for i, v := range w.V {
		end := float64(w.EndMS[i])
		if end > from && begin < to {
			if end-begin > stretchMostMS || v <= 0 {
				return 0
			}
			if least == 0 || float64(v) < least {
				least = float64(v)
			}
		}
		begin = end
	}
	if begin < to {
		return 0
	}
	return least
}
