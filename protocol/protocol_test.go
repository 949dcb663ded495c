package protocol_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

var update = flag.Bool("update", false, "write the golden documents anew; read the difference before you commit it")

func header() protocol.Header {
	h := protocol.Header{Bench: "bench-1", Boot: "0123abcd-0000", MonoNS: 12_345_678_901}
	h.SetWall(time.Date(2026, 3, 2, 9, 0, 12, 345e6, time.UTC), 20*time.Millisecond)
	return h
}

func result() protocol.ResultHeader {
	return protocol.ResultHeader{Header: header(), Stream: "s-1", Seq: 7, BenchRev: "aaaabbbbcccc"}
}

func ptr[T any](v T) *T { return &v }

// examples is one document of every message, and the forms that leave members
// out. Names, figures and circuits are invented.
func examples() map[string]protocol.Document {
	edge := protocol.Edge{State: protocol.Live, AtNS: 4_213_000_100, NotBeforeNS: 4_210_000_000, NotAfterNS: 4_217_500_000,
		UUS: 12.34, Timing: protocol.TimingCurve, Seen: protocol.List[protocol.Seen]{protocol.SeenPulsed}}
	detail := protocol.CrankDetail{BeginsNotBeforeNS: 5_000_000_000, BeginsNotAfterNS: 5_012_000_000, EndsNS: 6_400_000_000,
		Sag: &protocol.Sag{BeforeV: 12.51239, MinV: 8.02, MinUV: 0.012, HiddenDipV: 0.02, MinAtNS: 5_009_000_000, PlateauV: 9.8, LevelUV: 0.0112,
			Ripple: &protocol.Ripple{Hz: 6.6667, UHz: 0.05, V: 0.21, RPM: ptr(protocol.Ratio(200.001)), URPM: ptr(protocol.Ratio(1.5))},
			Below:  protocol.List[protocol.Below]{{V: 9.6, MS: 192.6, MSMin: 188, MSMax: 197, VS: 0.0612}}, RecoveredMS: ptr(protocol.Millis(41.5))}}
	unmeasured := protocol.CrankDetail{BeginsNotBeforeNS: 1, BeginsNotAfterNS: 2, EndsNS: 3, NotMeasured: "the lead is pulsed"}
	desc := protocol.Description{
		Software: "keyturnd 1.0", Subject: protocol.Vehicle, BatterySense: "sense",
		KeySense: protocol.KeySense{Terminal15: "key-on"},
		Leads: protocol.List[protocol.BenchLead]{{Lead: "l-1", Slot: "f1", Side: "left", Chip: "adc-1", Input: 0, TauUS: 1397.7, TauFloatingUS: 1512, UTau: 0.005, UTauFloating: 0.006,
			TauLearned:      &protocol.TauLearned{DrivenUS: 1401.2, UDriven: 0.0007, FloatingUS: 1515.8, UFloating: 0.0021, Edges: 44},
			Calibration:     protocol.Calibration{Date: "2026-11-02", AgeDays: ptr(12), Gain: 13.2222221, OffsetV: 0.01, UGain: 0.001, UOffsetV: 0.003},
			IntervalBoundUS: 6476, IntervalMeanUS: ptr(protocol.Micros(6252.9)), IntervalLongestUS: ptr(protocol.Micros(8139))},
			{Lead: "amps", Chip: "amps-1", Calibration: protocol.Calibration{Gain: 1, UGain: 0.0013}, Shunt: &protocol.Shunt{MOhm: 10, U: 0.00577, UZeroMA: 0.722}, IntervalBoundUS: 19730}},
		Box: &protocol.BenchBox{Box: "cabin-8", Datum: "label upright, hinge at top", Zone: "cabin", Rows: 2, Columns: 4},
		Slots: protocol.List[protocol.BenchSlot]{
			{Slot: "f1", Legend: "Radio & <clock>", Leads: protocol.List[string]{"l-1"}, Fuse: protocol.FuseIn, Place: &protocol.Place{Row: 1, Column: 3}, Sides: []string{"left", "right"}},
			{Slot: "f2"}},
		Chips:  protocol.List[protocol.BenchChip]{{Chip: "adc-1", Family: "ads1115", Bus: "/dev/i2c-1", Address: 0x48, RateHz: 860, FullScaleV: 4.096}},
		Limits: protocol.Limits{LiveAbove: 0.6, DeadBelow: 0.3, LiveAboveV: 7.2, DeadBelowV: 3.6, GhostBelow: 0.55, WatchS: 600, GapMaxMS: 100, BounceMS: 3.5, BelowV: protocol.List[protocol.Volts]{10.5, 9.6}, AsleepBelowMA: 50},
	}
	asOf := protocol.AsOf{Stream: "s-1", Seq: 6, KeptFromSeq: 1}
	lead := protocol.CycleLead{Lead: "l-1", Side: "left", StateBefore: protocol.Dead, Transitions: protocol.List[protocol.Transition]{{ID: "l-1-4213", Edge: edge}},
		Crank:  protocol.List[protocol.Crank]{{ID: "l-1-start-5000", CrankDetail: detail}, {ID: "l-1-start-9000", CrankDetail: unmeasured}},
		Levels: protocol.List[protocol.PositionLevel]{{Position: protocol.PositionOff, State: protocol.Dead, V: 0.004, UV: 0.003}, {Position: protocol.PositionOn, State: protocol.Live, V: 12.471, UV: 0.0129, UMovedV: 0.0006}},
		Wave:   &protocol.CrankWave{Crank: "l-1-start-5000", BeginNS: 4_600_000_000, EndMS: protocol.List[protocol.Millis]{397.4, 403.9, 1650}, V: protocol.List[protocol.Volts]{12.468, 7.912, 10.204}, ApartMS: 5.3}}
	key := protocol.KeyMove{Position: protocol.PositionOn, AtNS: 4_200_000_000, UUS: 85.5, Source: protocol.SourceLead}
	return map[string]protocol.Document{
		"presence": &protocol.Presence{Header: header(), AsOf: asOf, State: protocol.CutOff, ConnectedNS: 12_000_000_000},
		"bench":    &protocol.Bench{Header: header(), AsOf: asOf, BenchRev: "aaaabbbbcccc", Description: desc},
		"now": &protocol.Now{Header: header(), AsOf: asOf, Cycle: "0123abcd-4200", Key: &key,
			Slots: protocol.List[protocol.NowSlot]{{Slot: "f1", Legend: "Radio", State: protocol.Live}, {Slot: "f2", State: protocol.Unknown, Reason: "chip does not answer"}},
			Leads: protocol.List[protocol.NowLead]{{Lead: "l-1", V: ptr(protocol.Volts(12.456789)), UV: ptr(protocol.Volts(0.0123))}, {Lead: "l-2"}, {Lead: "amps", MA: ptr(protocol.MilliAmps(18.4)), UMA: ptr(protocol.MilliAmps(0.73))}}},
		"now-nothing-known": &protocol.Now{Header: header(), AsOf: protocol.AsOf{Stream: "s-1", KeptFromSeq: 1}},
		"waveform": &protocol.Waveform{Header: header(), AsOf: asOf, FromNS: 1, StepMS: 50,
			Leads: protocol.List[protocol.WaveformLead]{{Lead: "l-1", MinV: protocol.List[*protocol.Volts]{ptr(protocol.Volts(1)), nil}, MaxV: protocol.List[*protocol.Volts]{ptr(protocol.Volts(2)), nil}}}},
		"result-transition":           &protocol.TransitionResult{ResultHeader: result(), ID: "l-1-4213", Lead: "l-1", Slot: "f1", Side: "left", Edge: &edge},
		"result-transition-withdrawn": &protocol.TransitionResult{ResultHeader: result(), ID: "l-1-4213", Lead: "l-1", Withdrawn: true, Why: "part of pulsing"},
		"result-crank":                &protocol.CrankResult{ResultHeader: result(), ID: "l-1-start-5000", Lead: "l-1", CrankDetail: &detail},
		"result-crank-not-measured":   &protocol.CrankResult{ResultHeader: result(), ID: "l-1-start-5000", Lead: "l-1", CrankDetail: &unmeasured},
		"result-cycle": &protocol.Cycle{ResultHeader: result(), Subject: protocol.Vehicle, CrankSource: protocol.CrankEngine, ID: "0123abcd-4200", Revision: 3, Final: true, Ended: protocol.EndedWatch,
			Key: protocol.List[protocol.KeyMove]{key}, Battery: &lead,
			Quiescent: &protocol.Quiescent{Lead: "amps", LimitMA: 50, CurrentMA: ptr(protocol.MilliAmps(18.43219)), UMA: ptr(protocol.MilliAmps(0.7301)), FromNS: ptr(int64(590_000_000_000)), ToNS: ptr(int64(4_400_000_000_000)),
				Asleep:    &protocol.Asleep{AtNS: 580_010_000_000, NotBeforeNS: 580_000_000_000, NotAfterNS: 580_020_000_000, AfterS: 560.01},
				Wakes:     protocol.List[protocol.Wake]{{AtNS: 1_000_010_000_000, NotBeforeNS: 1_000_000_000_000, NotAfterNS: 1_000_020_000_000, LastedS: 12.4, PeakMA: 2310, Slots: protocol.List[string]{"f2"}}},
				ChargeMAH: 95.2, UMAH: 0.9, SeenS: 4380, UnseenS: 1.2},
			Notes: protocol.List[protocol.Note]{{AtNS: 4_300_000_000, Text: "heater on", Source: protocol.SourceOperator}},
			Slots: protocol.List[protocol.CycleSlot]{
				{Slot: "f1", Legend: "Radio", Fuse: protocol.FuseBlown, Behaviour: protocol.Accessory, DINTerminal: protocol.TerminalOf(protocol.Accessory), StaysOnS: ptr(protocol.Seconds(4.5)), StaysOnUMS: ptr(protocol.Millis(0.4)),
					OffInStart: ptr(true), WatchedS: 16.2,
					Source: &protocol.SlotSource{Finding: protocol.SourceHighResistance, Position: protocol.PositionOn, PathMOhm: ptr(protocol.MilliOhms(402.3)), PathUMOhm: ptr(protocol.MilliOhms(12.6)), IncludesProbe: true}, Leads: protocol.List[protocol.CycleLead]{lead}},
				{Slot: "f2", Behaviour: protocol.NotProven, Possible: protocol.List[protocol.Behaviour]{protocol.NoVolts, protocol.StartOnly}, DecidedBy: protocol.List[protocol.Position]{protocol.PositionStart}}}},
		"result-verdict": &protocol.Verdict{ResultHeader: result(), ID: "t-0123abcd-4200", Revision: 2, Box: "cabin-8", Title: "Parcel van", Datum: "label upright", BoxFileHash: strings.Repeat("0123456789abcdef", 4), Job: "12", Supersedes: "t-0123abcd-1100",
			Before: &protocol.BeforePower{Seen: "green contacts in the lower row", Feeds: protocol.List[protocol.LimitedFeed]{{V: 12.41, UV: 0.021, Holds: true}, {V: 0.31, UV: 0.004}}},
			Rounds: 3, Round: &protocol.VerdictRound{Number: 2, Leads: protocol.List[protocol.VerdictLead]{{Lead: "l-1", Slot: "f1", Side: "upper", Fuse: protocol.FuseOut, Fitted: true}, {Lead: "l-2", Slot: "f3", Fuse: protocol.FuseIn, Moved: true, Switch: true}}},
			Cycles: protocol.List[string]{"0123abcd-4200"}, Outcome: protocol.OutcomeNotProven, OfTested: protocol.OutcomeFail, Tested: protocol.VerdictCount{Fail: 1}, Untested: 1,
			Limits:  &protocol.VerdictLimits{ContactPassMOhm: 30, ContactFailMOhm: 60, ContactAboveMOhm: 20, ProbeMOhm: 50, OnWithinS: 0.1, FallV: 0.7},
			LeftOut: protocol.List[protocol.Check]{protocol.CheckStart}, NotVisited: protocol.List[protocol.Position]{protocol.PositionRunning},
			Slots: protocol.List[protocol.SlotVerdict]{
				{Slot: "f1", Legend: "Radio", Outcome: protocol.OutcomeFail, Place: &protocol.Place{Row: 1, Column: 3}, Rounds: protocol.List[int]{1},
					Reasons: protocol.List[protocol.VerdictReason]{{Reason: "contact", Makes: protocol.OutcomeFail, Value: ptr(protocol.Figure(402.34567)), U: ptr(protocol.Figure(12.6)), Limit: ptr(protocol.Figure(60)), Unit: "mΩ"},
						{Reason: "wrong-behaviour", Makes: protocol.OutcomeFail, Behaviour: protocol.Permanent, Should: protocol.Accessory, Position: protocol.PositionOn, Side: "upper", Other: "f2"},
						{Reason: "still-on", Makes: protocol.OutcomeNotProven, Value: ptr(protocol.Figure(15)), U: ptr(protocol.Figure(0)), Limit: ptr(protocol.Figure(60)), Unit: "s", Bound: protocol.BoundAtLeast}}},
				{Slot: "f2", Outcome: protocol.OutcomeNotProven, Test: "t-0123abcd-1100", Reasons: protocol.List[protocol.VerdictReason]{{Reason: "avoided", Makes: protocol.OutcomeNotProven}}}}},
		"result-verdict-final": &protocol.Verdict{ResultHeader: result(), ID: "t-1", Revision: 1, Final: true, Box: "cabin-8", BoxFileHash: strings.Repeat("0123456789abcdef", 4), Rounds: 1, Outcome: protocol.OutcomePass, OfTested: protocol.OutcomePass},
		"result-bench":         &protocol.BenchResult{ResultHeader: result(), Description: desc},
		"result-bench-fault":   &protocol.BenchFault{ResultHeader: result(), AtNS: 5, Lead: "l-1", Chip: "adc-1", Reason: "one-sample spike", Count: 2},
		"result-clock":         &protocol.Clock{ResultHeader: result(), AtNS: 5, StepMS: ptr(protocol.Millis(-3600000)), Known: true},
		"stored":               &protocol.Receipt{Header: header(), Keeper: "records", Stream: "s-1", UpToSeq: 7},
		"marks": &protocol.Marks{Header: header(), Keeper: "records", Sheet: "q4n7k2v6x3m5b7c2d4f6g3h5j7", Attempt: 2, Revision: 1, Exercise: "by-key", Cycle: "0123abcd-4200", CycleRevision: 3,
			MarksGiven: 3.5, MarksPossible: 8, NotMarked: 1, Questions: protocol.List[protocol.MarkedQuestion]{
				{ID: "radio", Slots: protocol.List[string]{"f1"}, Asks: "behaviour", Marked: true, MarksGiven: ptr(protocol.Points(3.5)), MarksPossible: 4, Reason: "right", Lesson: "visit-each-position"},
				{ID: "faulty", Slots: protocol.List[string]{"f1", "f2"}, Asks: "fault", Marked: true, MarksGiven: ptr(protocol.Points(0)), MarksPossible: 4, Reason: "blank"},
				{ID: "lowest", Slots: protocol.List[string]{"f2"}, Asks: "lowest-v", MarksPossible: 2, Reason: "no-waveform"}}},
		"request":       &protocol.Request{Header: header(), Verb: protocol.VerbReplay, Client: "records", ID: "r-1", ExpiresNS: 99_000_000_000, Stream: "s-1", FromSeq: 3, ToSeq: 5},
		"request-begin": &protocol.Request{Header: header(), Verb: protocol.VerbBegin, Client: "tablet-2", ID: "t-9", ExpiresNS: 99_000_000_000, Position: protocol.PositionOn},
		"request-note":  &protocol.Request{Header: header(), Verb: protocol.VerbNote, Client: "tablet-2", ID: "t-10", ExpiresNS: 99_000_000_000, Note: "heater on"},
		"reply":         &protocol.Reply{Header: header(), Client: "records", ID: "r-1", Verb: protocol.VerbReplay, Status: protocol.ReplyDone, Count: 3},
		"reply-refused": &protocol.Reply{Header: header(), Client: "tablet-2", ID: "t-9", Verb: protocol.VerbBegin, Status: protocol.ReplyRefused, Code: protocol.RefusedExpired, Reason: "it expired 3.1 s ago"},
		"result-gap":    &protocol.Gap{ResultHeader: result(), FromSeq: 1, ToSeq: 3, Count: 3, Reason: "outbox full"},
	}
}

// What a test was held to is no part of the documents of earlier programs: they are read
// without. Limits that say nothing are refused.
func TestVerdictLimitsOnReading(t *testing.T) {
	text, err := protocol.Encode(examples()["result-verdict"])
	if err != nil {
		t.Fatal(err)
	}
	const limits = `"limits":{"contact_pass_mohm":30,"contact_fail_mohm":60,"contact_above_mohm":20,"probe_mohm":50,"on_within_s":0.1,"fall_v":0.7},`
	v, err := protocoltest.New()
	if err != nil {
		t.Fatal(err)
	}
	older := []byte(strings.Replace(string(text), limits, "", 1))
	d, err := protocol.Decode(older)
	if err != nil || len(older) == len(text) || d.(*protocol.Verdict).Limits != nil {
		t.Errorf("an older document: %v", err)
	}
	topic, err := protocol.TopicOf(protocol.DefaultRoot, d)
	if err != nil {
		t.Fatal(err)
	}
	if err := v.Validate(protocol.DefaultRoot, topic, older); err != nil {
		t.Errorf("an older document: %v", err)
	}
	for _, wrong := range []string{`"fall_v":-0.7`, `"contact_fail_mohm":29`, `"contact_pass_mohm":-1`} {
		member, _, _ := strings.Cut(wrong, ":")
		at := strings.Index(string(text), member)
		end := at + strings.IndexAny(string(text[at:]), ",}")
		_, err := protocol.Decode([]byte(string(text[:at]) + wrong + string(text[end:])))
		if !errors.Is(err, protocol.ErrMember) || !strings.Contains(err.Error(), "limits."+strings.Trim(member, `"`)) {
			t.Errorf("%s: %v", wrong, err)
		}
	}
}

func names(m map[string]protocol.Document) (names []string) {
	for n := range m {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

func TestGoldenDocumentsSatisfyTheirSchemas(t *testing.T) {
	v, err := protocoltest.New()
	if err != nil {
		t.Fatal(err)
	}
	all := examples()
	seen := map[string]bool{}
	for _, name := range names(all) {
		d := all[name]
		got, err := protocol.Encode(d)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		topic, err := protocol.TopicOf(protocol.DefaultRoot, d)
		if err != nil {
			t.Fatal(err)
		}
		if err := v.Validate(protocol.DefaultRoot, topic, got); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		back, err := protocol.Decode(got)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if again, err := protocol.Encode(back); err != nil || !bytes.Equal(again, got) {
			t.Errorf("%s: decoded and encoded again it is\n%s\nnot\n%s (%v)", name, again, got, err)
		}
		golden(t, name, got)
		seen[protocol.MessageOf(d).Name] = true
	}
	for _, m := range protocol.Messages() {
		if !seen[m.Name] {
			t.Errorf("no example of %s", m.Name)
		}
	}
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	var b bytes.Buffer
	if err := json.Indent(&b, got, "", "  "); err != nil {
		t.Fatal(err)
	}
	b.WriteByte('\n')
	file := filepath.Join("testdata", "golden", name+".json")
	if *update {
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(b.Bytes(), want) {
		t.Errorf("%s differs from its golden file: run with -update and read the difference", name)
	}
}

// The AsyncAPI file satisfies the AsyncAPI 3.0.0 schema, and says of each
// message what the topic table says.
func TestAsyncAPI(t *testing.T) {
	text, err := os.ReadFile("testdata/asyncapi/asyncapi-3.0.0-schema.json")
	if err != nil {
		t.Fatal(err)
	}
	schema, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("asyncapi.json", schema); err != nil {
		t.Fatal(err)
	}
	compiled, err := c.Compile("asyncapi.json")
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(protocol.AsyncAPI))
	if err != nil {
		t.Fatal(err)
	}
	if err := compiled.Validate(doc); err != nil {
		t.Error(err)
	}
	var api struct {
		Channels   map[string]struct{ Address, Title string }
		Operations map[string]struct {
			Bindings struct {
				MQTT struct {
					QoS    byte
					Retain bool
				}
			}
		}
		Components struct {
			Messages map[string]struct {
				Payload struct {
					Ref string `json:"$ref"`
				}
			}
		}
	}
	if err := json.Unmarshal(protocol.AsyncAPI, &api); err != nil {
		t.Fatal(err)
	}
	for _, m := range protocol.Messages() {
		id := strings.TrimSuffix(m.Schema(), ".json")
		way := map[bool]string{false: "publish-", true: "read-"}[m.Inward]
		op := api.Operations[way+id].Bindings.MQTT
		if ch := api.Channels[id]; ch.Address != protocol.DefaultRoot+"/v1/{bench}/"+m.Name || ch.Title != m.About || op.QoS != m.QoS || op.Retain != m.Retained {
			t.Errorf("%s: channel %+v, binding %+v; the topic table says %+v", id, ch, op, m)
		}
		if got := api.Components.Messages[id].Payload.Ref; got != "schemas/"+m.Schema() {
			t.Errorf("%s: payload %q", id, got)
		}
	}
	if len(api.Channels) != len(protocol.Messages()) {
		t.Errorf("%d channels, %d messages", len(api.Channels), len(protocol.Messages()))
	}
}

func TestDecodeSaysWhatIsWrong(t *testing.T) {
	ok, err := protocol.Encode(examples()["result-cycle"])
	if err != nil {
		t.Fatal(err)
	}
	change := func(old, new string) string { return strings.Replace(string(ok), old, new, 1) }
	for _, c := range []struct {
		name, text string
		want       error
	}{
		{"empty", "", protocol.ErrSyntax},
		{"not JSON", "{", protocol.ErrSyntax},
		{"a list", "[]", protocol.ErrMember},
		{"another version", change(`"keyturn/1"`, `"keyturn/9"`), protocol.ErrVersion},
		{"another kind", change(`"cycle"`, `"cart"`), protocol.ErrKind},
		{"two kinds", change(`"final":true`, `"final":true,"kind":"crank"`), protocol.ErrKind},
		{"wrong type", change(`"revision":3`, `"revision":"three"`), protocol.ErrMember},
		{"revision 0", change(`"revision":3`, `"revision":0`), protocol.ErrMember},
		{"id of another boot", change(`"id":"0123abcd`, `"id":"ffff0000`), protocol.ErrMember},
		{"a wave that goes back", change(`[397.4,403.9,1650]`, `[397.4,396,1650]`), protocol.ErrMember},
		{"a wave without an end", change(`[397.4,403.9,1650]`, `[397.4,403.9]`), protocol.ErrMember},
		{"a wave with a stretch of no length", change(`[397.4,403.9,1650]`, `[397.4,397.4,1650]`), protocol.ErrMember},
		{"a wave that begins with one", change(`[397.4,403.9,1650]`, `[0,403.9,1650]`), protocol.ErrMember},
		{"a wave with samples in one another", change(`"apart_ms":`, `"apart_ms":-`), protocol.ErrMember},
		{"a level while cranking", change(`"levels":[{"position":"off"`, `"levels":[{"position":"start"`), protocol.ErrMember},
		{"a level nowhere", change(`"levels":[{"position":"off"`, `"levels":[{"position":""`), protocol.ErrMember},
		{"two levels in a position", change(`"levels":[{"position":"off"`, `"levels":[{"position":"on"`), protocol.ErrMember},
		{"a level of nobody knows what", change(`"levels":[{"position":"off","state":"dead"`, `"levels":[{"position":"off","state":"unknown"`), protocol.ErrMember},
		{"a level with less than no uncertainty", change(`"u_v":0.003`, `"u_v":-0.003`), protocol.ErrMember},
		{"a level that moved by less than nothing", change(`"u_moved_v":`, `"u_moved_v":-`), protocol.ErrMember},
		{"a wave of nothing", change(`"end_ms":[397.4,403.9,1650],"v":[12.468,7.912,10.204]`, `"end_ms":[],"v":[]`), protocol.ErrMember},
		{"a wave of no start", change(`"wave":{"crank":"l-1-start-5000"`, `"wave":{"crank":""`), protocol.ErrMember},
		{"free text for a bench", change(`"bench-1"`, `"Bench 1/#"`), protocol.ErrID},
		{"too large", `{"x":"` + strings.Repeat("x", protocol.MaxDocumentBytes) + `"}`, protocol.ErrTooLarge},
	} {
		_, err := protocol.Decode([]byte(c.text))
		var e *protocol.Error
		if !errors.Is(err, c.want) || !errors.As(err, &e) || e.Where == "" {
			t.Errorf("%s: %v, want %v with a place", c.name, err, c.want)
		}
	}
	for _, first := range []string{`"later":{"a":1,"seq":7}`, `"later":",\"seq\":7"`, `"later":[{"a":1,"seq":7}]`, `"later":0,"seq":1`} {
		d, err := protocol.Decode([]byte(change(`{`, `{`+first+`,`)))
		if err != nil || d.(*protocol.Cycle).Seq != examples()["result-cycle"].(*protocol.Cycle).Seq {
			t.Errorf("with %s before all others: %v", first, err)
		}
	}
	d, err := protocol.Decode([]byte(change(`"final":true`, `"final":true,"later":{"a":[1]}`)))
	if err != nil || !reflect.DeepEqual(d.(*protocol.Cycle).Slots[0].Behaviour, protocol.Accessory) {
		t.Errorf("an unknown member: %v", err)
	}
}
