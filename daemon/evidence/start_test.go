package evidence

import (
	"math"
	"testing"

	"keyturn/protocol"
)

// waveOf is a waveform in stretches of so many ms: 12.5 V, from 500 ms on the inrush of
// 100 ms at 8 V, then the sine of an engine of ISO 16750-2, 4.6.3, level I (10.5 V, 1 V either
// way, 2 Hz) until 2.1 s, then 12 V.
func waveOf(crank string, stretchMS float64) *protocol.CrankWave {
	w := &protocol.CrankWave{Crank: crank, BeginNS: 1e9}
	for begin := 0.0; begin < 2600; begin += stretchMS {
		v := 12.5
		switch at := begin + stretchMS/2; {
		case at > 2100:
			v = 12
		case at > 600:
			v = 10.5 + math.Sin(2*math.Pi*2*at*1e-3)
		case at > 500:
			v = 8
		}
		w.EndMS, w.V = append(w.EndMS, protocol.Millis(begin+stretchMS)), append(w.V, protocol.Volts(v))
	}
	return w
}

// Once the inrush is over a feed has the least of its waveform, or its median less the
// amplitude of the strokes; of what shows neither it is not known.
func TestTroughs(t *testing.T) {
	start := func(id string) protocol.Crank {
		return protocol.Crank{ID: id, CrankDetail: protocol.CrankDetail{BeginsNotBeforeNS: 1.49e9, BeginsNotAfterNS: 1.5e9, EndsNS: 3.1e9, Sag: &protocol.Sag{BeforeV: 12.5, MinV: 8, PlateauV: 10.5}}}
	}
	shown, beside, later := start("a"), start("b"), start("c")
	shown.Ripple, beside.Ripple = &protocol.Ripple{Hz: 2, V: 1.1}, &protocol.Ripple{Hz: 2, V: 1.1}
	later.BeginsNotBeforeNS, later.BeginsNotAfterNS, later.EndsNS, later.Ripple = 9e9, 9.1e9, 10e9, shown.Ripple
	long := start("a")
	long.EndsNS = 4e9
	for _, x := range []struct {
		name    string
		lead    protocol.CycleLead
		battery *protocol.CycleLead
		want    float64
	}{
		{"its waveform", protocol.CycleLead{Crank: []protocol.Crank{start("a")}, Wave: waveOf("a", 40)}, nil, 9.5},
		{"its strokes", protocol.CycleLead{Crank: []protocol.Crank{shown}}, nil, 9.4},
		{"the battery's strokes", protocol.CycleLead{Crank: []protocol.Crank{start("a")}}, &protocol.CycleLead{Crank: []protocol.Crank{beside}}, 9.4},
		{"the lower of both", protocol.CycleLead{Crank: []protocol.Crank{shown}, Wave: waveOf("a", 40)}, nil, 9.4},
		{"neither", protocol.CycleLead{Crank: []protocol.Crank{start("a")}}, nil, 0},
		{"the battery's in another start", protocol.CycleLead{Crank: []protocol.Crank{start("a")}}, &protocol.CycleLead{Crank: []protocol.Crank{later}}, 0},
		{"the waveform of another start", protocol.CycleLead{Crank: []protocol.Crank{start("a")}, Wave: waveOf("b", 40)}, nil, 0},
		{"one of two starts", protocol.CycleLead{Crank: []protocol.Crank{start("a"), start("d")}, Wave: waveOf("a", 40)}, nil, 0},
		{"too coarse", protocol.CycleLead{Crank: []protocol.Crank{start("a")}, Wave: waveOf("a", 80)}, nil, 0},
		{"too short", protocol.CycleLead{Crank: []protocol.Crank{long}, Wave: waveOf("a", 40)}, nil, 0},
	} {
		c := &protocol.Cycle{Battery: x.battery, Slots: []protocol.CycleSlot{{Slot: "f01", Leads: []protocol.CycleLead{x.lead}}}}
		got := FeedSlots(c, readBox(t), nil)[0]
		if math.Abs(got.TroughV-x.want) > 0.02 || got.BeforeV != 12.5 {
			t.Errorf("%s: %g V in the troughs, want %g; %g V before", x.name, got.TroughV, x.want, got.BeforeV)
		}
	}
}
