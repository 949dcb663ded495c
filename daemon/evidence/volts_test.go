package evidence

import (
	"math"
	"testing"

	"keyturn/daemon/judge"
	"keyturn/protocol"
)

func level(p protocol.Position, s protocol.State, v protocol.Volts) protocol.PositionLevel {
	return protocol.PositionLevel{Position: p, State: s, V: v, UV: 0.01}
}

// A slot with a lead on each side is live where one side is; without volts only where both
// are known to be.
func TestLevelsOfASlot(t *testing.T) {
	const on, off, running = protocol.PositionOn, protocol.PositionOff, protocol.PositionRunning
	leads := []protocol.CycleLead{
		{Levels: protocol.List[protocol.PositionLevel]{level(off, protocol.Dead, 0.2), level(on, protocol.Live, 12.4), level("accessory", protocol.Unknown, 12)}},
		{Levels: protocol.List[protocol.PositionLevel]{level(off, protocol.Dead, 0.4), level(on, protocol.Dead, 0.1), level(running, protocol.Dead, 0.1)}},
	}
	got := map[string]judge.Level{}
	for _, l := range levels(&protocol.CycleSlot{Leads: leads}) {
		got[l.Position] = l
	}
	want := map[string]judge.Level{"off": {Position: "off", Live: judge.No, V: 0.4, UV: 0.01}, "on": {Position: "on", Live: judge.Yes, V: 12.4, UV: 0.01}}
	if len(got) != len(want) || got["off"] != want["off"] || got["on"] != want["on"] {
		t.Errorf("%+v, want %+v", got, want)
	}
	// Nothing is known of running: one side was not measured there.
	leads[0].Levels = append(leads[0].Levels, level(running, protocol.Live, 14.1))
	if l := levels(&protocol.CycleSlot{Leads: leads}); len(l) != 3 || l[2] != (judge.Level{Position: "running", Live: judge.Yes, V: 14.1, UV: 0.01}) {
		t.Errorf("%+v", l)
	}
	if l := levels(&protocol.CycleSlot{}); l != nil {
		t.Errorf("%+v of nothing", l)
	}
}

// A ghost that reads as much as a feed is none where it was found; in other positions nobody
// knows.
func TestGhostsAreNotLive(t *testing.T) {
	s := &protocol.CycleSlot{Source: &protocol.SlotSource{Finding: protocol.SourceGhost, Position: protocol.PositionOn},
		Leads: protocol.List[protocol.CycleLead]{{Levels: protocol.List[protocol.PositionLevel]{level("off", protocol.Dead, 3), level("accessory", protocol.Live, 8.4), level("on", protocol.Live, 8.4)}}}}
	got := levels(s)
	if len(got) != 2 || got[0].Position != "off" || got[0].Live != judge.No || got[1].Position != "on" || got[1].Live != judge.No {
		t.Errorf("%+v", got)
	}
	s.Source.Finding = protocol.SourceFeed
	if got := levels(s); len(got) != 3 || got[2].Live != judge.Yes {
		t.Errorf("%+v", got)
	}
}

// The waveform is that of the start whose lowest voltage is told, or none; its area is that
// of its stretches.
func TestWaveOfTheLowestStart(t *testing.T) {
	crank := func(id string, v protocol.Volts) protocol.Crank {
		return protocol.Crank{ID: id, CrankDetail: protocol.CrankDetail{Sag: &protocol.Sag{MinV: v}}}
	}
	w := &protocol.CrankWave{Crank: "b", EndMS: protocol.List[protocol.Millis]{400, 406.5, 900}, V: protocol.List[protocol.Volts]{12.4, 8, 10}, ApartMS: 5.3}
	leads := []protocol.CycleLead{{Crank: protocol.List[protocol.Crank]{crank("a", 9)}}, {Crank: protocol.List[protocol.Crank]{crank("c", 9.5), crank("b", 8)}, Wave: w}}
	got := wave(leads)
	if len(got) != 3 || got[1].V != 8 || math.Abs(got[1].ToS-got[1].FromS-0.0012) > 1e-9 {
		t.Fatalf("%+v", got)
	}
	whole := 0.0
	for i, x := range got {
		whole += (x.ToS - x.FromS) * x.V
		if i > 0 {
			whole += (x.FromS - got[i-1].ToS) * (x.V + got[i-1].V) / 2
		}
	}
	if want := (397.35*12.4 + 6.5*8 + 490.85*10) * 1e-3; math.Abs(whole-want) > 1e-6 {
		t.Errorf("area %.6f V·s, want %.6f", whole, want)
	}
	leads[0].Crank = append(leads[0].Crank, crank("d", 7)) // deeper, and no waveform of it
	if got := wave(leads); got != nil {
		t.Errorf("%+v", got)
	}
	for _, broken := range []*protocol.CrankWave{nil, {Crank: "b", V: protocol.List[protocol.Volts]{1}}, {Crank: "x", V: w.V, EndMS: w.EndMS}} {
		leads[1].Wave = broken
		if got := wave(leads[1:]); got != nil {
			t.Errorf("%+v gives %+v", broken, got)
		}
	}
}
