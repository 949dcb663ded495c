package daemon

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/daemon/measure"
	"keyturn/protocol"
)

func sampleAt(lead int, at adc.Instant) adc.Input {
	return adc.Input{Kind: adc.SampleInput, At: at, Sample: adc.Sample{Lead: lead, From: at - 1, To: at, FullScaleUV: 4096000}}
}

// A core that does not keep up costs samples, never the scanner's time; the leads
// that lost some are told blind, once there is room, since before the first loss.
func TestFullQueueMakesItsLeadsBlind(t *testing.T) {
	f := &feed{inputs: make(chan adc.Input, inputsMax), lost: make([]bool, 3), stop: make(chan struct{})}
	for i := range inputsMax {
		f.put(sampleAt(0, adc.Instant(i+1)*1e5))
	}
	first := adc.Instant(inputsMax+1) * 1e5
	f.put(sampleAt(1, first)) // no room
	f.put(adc.Input{Kind: adc.TickInput, At: first})
	for range 10 {
		<-f.inputs
	}
	f.put(sampleAt(2, first.Add(time.Millisecond)))
	var blind []adc.Input
	for len(f.inputs) > 0 {
		if in := <-f.inputs; in.Kind == adc.BlindInput {
			blind = append(blind, in)
		}
	}
	if len(blind) != 1 || blind[0].Blind.Lead != 1 || blind[0].Blind.Since >= first || blind[0].Blind.Reason != adc.InputsLost {
		t.Errorf("told blind: %+v", blind)
	}
	if f.anyLost {
		t.Error("what was told is still to be told")
	}
}

func translatorOf(t *testing.T) *translator {
	t.Helper()
	lead := adc.Lead{Name: "l-1", Chip: "adc-1", Tau: 1, TauFloating: 1, Calibration: adc.Calibration{Gain: 1}}
	tr := newTranslator(&Options{Bench: "b", Boot: "0123abcd", Params: measure.Params{
		Leads: []adc.Lead{lead}, BatterySense: measure.NoLead, Key: measure.NoKeySense(),
		Slots: []measure.Slot{{Name: "f1", Legend: "Radio", Leads: []measure.SlotLead{{Lead: 0, Side: "left"}}}},
	}})
	tr.benchRev = "r"
	return tr
}

// Every event that is a result makes a document that may be published; what is
// only a state makes none.
func TestEveryEventIsTranslated(t *testing.T) {
	tr := translatorOf(t)
	for _, c := range []struct {
		ev   measure.Event
		want string
	}{
		{&measure.Transition{ID: "x", State: measure.Live, At: 5, NotBefore: 4, NotAfter: 6}, `"state":"live","at_ns":5,"not_before_ns":4,"not_after_ns":6`},
		{&measure.TransitionWithdrawn{ID: "x", Why: "part of pulsing"}, `"withdrawn":true,"why":"part of pulsing"`},
		{&measure.Crank{ID: "k", BeginsNotBefore: 1, BeginsNotAfter: 2, Ends: 3, MinV: 8, Recovered: -1}, `"recovered_ms":null`},
		{&measure.Crank{ID: "k", NotMeasured: "the lead is pulsed"}, `"not_measured":"the lead is pulsed"`},
		{&measure.Cycle{Begin: 7e6, Revision: 1, Slots: []measure.SlotResult{{Behaviour: measure.Permanent, Leads: []measure.LeadResult{{}}}}}, `"din_terminal":"30"`},
		{&measure.Faulted{Lead: 0, At: 9, Reason: "one-sample spike", Count: 1}, `"lead":"l-1","chip":"adc-1"`},
		{&measure.StateChanged{}, ""},
		{&measure.KeyMoved{}, ""},
	} {
		d := tr.translate(1e9, c.ev)
		if d == nil {
			if c.want != "" {
				t.Errorf("%T makes no document", c.ev)
			}
			continue
		}
		d.ResultHead().Stream, d.ResultHead().Seq = "s", 1
		b, err := protocol.Encode(d)
		if err != nil || c.want == "" || !strings.Contains(string(b), c.want) {
			t.Errorf("%T: %s %v, want %s in it", c.ev, b, err, c.want)
		}
	}
}

// A wave is written in few digits, and no stretch of it is lost below them: the lower stays.
func TestWaveInFewDigits(t *testing.T) {
	w := wave(&measure.Wave{Crank: "k", Begin: 1e9, Ends: []adc.Instant{1e9 + 12_345_678, 1e9 + 12_360_000, 1e9 + 12_390_000, 1e9 + 30e6}, V: []float64{12.34567, 8.00049, 8.2, 10}, Apart: 5_300_000})
	if want := (&protocol.CrankWave{Crank: "k", BeginNS: 1e9, EndMS: protocol.List[protocol.Millis]{12.3, 12.4, 30}, V: protocol.List[protocol.Volts]{12.346, 8, 10}, ApartMS: 5.3}); !reflect.DeepEqual(w, want) {
		t.Errorf("%+v, want %+v", w, want)
	}
	if wave(nil) != nil {
		t.Error("a wave of nothing")
	}
	tr := translatorOf(t)
	tr.source = protocol.CrankContactOnly
	if l := tr.cycleLead(&measure.LeadResult{Wave: &measure.Wave{Crank: "k", Ends: []adc.Instant{1e6}, V: []float64{12}}}); l.Wave != nil {
		t.Errorf("%+v of a start in which nothing turned", l.Wave)
	}
}

// now is sent at once when something changes, at most twice a second, and every
// ten seconds when nothing does.
func TestNowIsRateLimited(t *testing.T) {
	m := newMoment(translatorOf(t))
	var sent []adc.Instant
	for at := adc.Instant(1e9); at < 41e9; at += 1e8 {
		if at < 11e9 {
			m.event(&measure.StateChanged{State: measure.Live, At: at})
		}
		if m.nowDue(at) {
			m.now(at, protocol.AsOf{Stream: "s"})
			sent = append(sent, at)
		}
	}
	if len(sent) != 20+3 {
		t.Errorf("%d now documents in 10 s of changes and 30 s of rest, want 20 and 3", len(sent))
	}
	for i := 1; i < len(sent); i++ {
		if d := sent[i].Sub(sent[i-1]); d < nowLeast || d > nowMost {
			t.Errorf("%v between two", d)
		}
	}
}
