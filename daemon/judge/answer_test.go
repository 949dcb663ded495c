package judge

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"
)

func TestBehavioursAsPeopleWriteThem(t *testing.T) {
	q := Question{ID: "q", Asks: AsksBehaviour}
	for text, want := range map[string]Behaviour{ // each by itself
		"Permanent": Permanent, "always live": Permanent, "30": Permanent, "Kl. 30": Permanent, "  Ignition. ": Ignition, "with the ignition on": "", "terminal 15": Ignition, "kl 15": Ignition,
		"acc": Accessory, "from accessory on": Accessory, "start-only": StartOnly, "ONLY WHILE CRANKING": StartOnly, "engine running": EngineRunning, "until the vehicle sleeps": Awake,
		"works from another switch": SwitchOperated, "switch_operated": SwitchOperated, "comes and goes": Intermittent, "no volts": NoVolts, "dead": NoVolts,
		"live": "", "on": "", "switched": "", "start": "", "stays on": "", "fuse": "", "permanent or ignition": "", "15 or 30": "",
	} {
		got, err := q.Read(text)
		if want == "" {
			wantUnclear(t, text, err)
			continue
		}
		if err != nil || got.Behaviour != want || got.Blank {
			t.Errorf("%q is %+v, %v", text, got, err)
		}
	}
}

// wantUnclear wants a question back that repeats what was written and says what to write.
func wantUnclear(t *testing.T, text string, err error) {
	t.Helper()
	var u *Unclear
	if !errors.As(err, &u) || !strings.Contains(text, u.Text) || !strings.Contains(u.Ask, "write") && !strings.Contains(u.Ask, "?") {
		t.Errorf("%q: %v", text, err)
	}
}

func TestVoltsAsPeopleWriteThem(t *testing.T) {
	q := Question{ID: "q", Asks: AsksLowest}
	for text, want := range map[string]float64{ // each by itself
		"12,4 V": 12.4, "12.4": 12.4, "12.40 V": 12.4, "12V": 12, "12,4v": 12.4, "350 mV": 0.35, "0,350": 0.35, ".5 volt": 0.5,
		" 9.6 Volts ": 9.6, "12.4 V.": 12.4, "12\u00a0V": 12, "1.234 V": 1.234, "10,5": 10.5,
	} {
		got, err := q.Read(text)
		if err != nil || got.Volts == nil || math.Abs(*got.Volts-want) > 1e-12 {
			t.Errorf("%q is %+v, %v", text, got.Volts, err)
		}
	}
	for _, text := range []string{"1,234 V", "12,400", "1.234,5", "1 250 mV", "12-13 V", "9 to 10 V", "9.6 A", "340 MV", "-12.4 V", "−3 V", "about 12 V", "V", "12.4 V 12.5 V", "12.4 ± 0.1 V", "twelve", "0x1F", "1e3", "NaN", "Inf", strings.Repeat("9", 40), "12.4 V\x00"} {
		_, err := q.Read(text)
		wantUnclear(t, text, err)
	}
	if _, err := q.Read(strings.Repeat("é", 4000)); err == nil || len(err.Error()) > 500 {
		t.Errorf("a long text: %.600v", err)
	}
}

func TestTimesAsPeopleWriteThem(t *testing.T) {
	q := Question{ID: "q", Asks: AsksStaysOn}
	for text, want := range map[string]After{ // each by itself
		"0.35 s": {S: 0.35}, "350ms": {S: 0.35}, "0,35 sec": {S: 0.35}, "4 min 10 s": {S: 250}, "4min10s": {S: 250},
		"4 min": {S: 240}, "4.5 min": {S: 270}, "1 h 5 min": {S: 3900}, "1 hour and 5 minutes": {S: 3900}, "2 min, 5.5 s": {S: 125.5},
		"at once": {AtOnce: true}, "Immediately": {AtOnce: true}, "never": {Open: true}, "stays on": {Open: true}, "Never goes off.": {Open: true}, "still on after 10 min": {S: 600, Open: true},
		"> 10 min": {S: 600, Open: true}, "more than 90 s": {S: 90, Open: true}, "0 s": {S: 0},
	} {
		got, err := q.Read(text)
		if err != nil || got.After == nil || got.After.AtOnce != want.AtOnce || got.After.Open != want.Open || math.Abs(got.After.S-want.S) > 1e-9 {
			t.Errorf("%q is %+v, %v", text, got.After, err)
		}
	}
	for _, text := range []string{"10", "0", "4:10", "4 m", "4m10s", "< 1 s", "less than a second", "10 s 4 min", "4 min 70 s", "4.5 min 10 s", "-1 s", "-0 s", "1,500 s", "10 V", "4 min 10", "10 s 5 s", "a while", "s", ">", "still on after 0 s"} {
		_, err := q.Read(text)
		wantUnclear(t, text, err)
	}
}

func TestOtherAnswersAsPeopleWriteThem(t *testing.T) {
	upright := Question{ID: "q", Asks: AsksFeedSide, Sides: []string{"left", "right"}}
	standing := Question{ID: "q", Asks: AsksFeedSide, Sides: []string{"upper", "lower"}}
	volts, probe, feed := Question{ID: "q", Asks: AsksVolts}, Question{ID: "q", Asks: AsksMayProbe}, Question{ID: "q", Asks: AsksFeed}
	fault := Question{ID: "q", Asks: AsksFault, Slots: []string{"t3", "t5"}}
	for _, x := range []struct {
		q    *Question
		text string
		want *Said // nil: asked back
	}{
		{&upright, "Left", &Said{Side: "left"}}, {&upright, "l", &Said{Side: "left"}}, {&upright, "R", &Said{Side: "right"}}, {&upright, "the right side", &Said{Side: "right"}},
		{&upright, "upper", nil}, {&upright, "both", nil}, {&standing, "top", &Said{Side: "upper"}}, {&standing, "l", nil}, {&standing, "left", nil},
		{&volts, "live", &Said{Yes: Yes}}, {&volts, "live 12,4 V", &Said{Yes: Yes, Volts: v(12.4)}}, {&volts, "12.5 V, live", &Said{Yes: Yes, Volts: v(12.5)}},
		{&volts, "no-volts", &Said{Yes: No}}, {&volts, "dead, 0.02 V", &Said{Yes: No, Volts: v(0.02)}}, {&volts, "ghost (3 V)", &Said{Yes: No, Ghost: true, Volts: v(3)}},
		{&volts, "12.4 V", nil}, {&volts, "0", nil}, {&volts, "live 1,250", nil}, {&volts, "perhaps", nil},
		{&probe, "No!", &Said{Yes: No}}, {&probe, "yes", &Said{Yes: Yes}}, {&probe, "with care", nil}, {&probe, "no, it is the airbag", &Said{Yes: No}},
		{&feed, "yes", &Said{Yes: Yes}}, {&feed, "no", &Said{Yes: No}}, {&feed, "no, because it stays on too long", &Said{Yes: No, Why: OnTooLong}}, {&feed, "No: off while cranking", &Said{Yes: No, Why: UnfedInStart}},
		{&feed, "no, I do not like it", nil}, {&feed, "maybe", nil},
		{&fault, "none", &Said{}}, {&fault, "t3 high resistance", &Said{Faulty: []SlotFault{{"t3", HighResistance}}}}, {&fault, "T5: open; t3", &Said{Faulty: []SlotFault{{"t5", OpenCircuit}, {"t3", ""}}}},
		{&fault, "t3 is back-fed", &Said{Faulty: []SlotFault{{"t3", BackFed}}}}, {&fault, "t4 open", nil}, {&fault, "open", nil}, {&fault, "t3 weird", nil}, {&fault, "t3 open; t3 ghost", nil},
		{&fault, "?", &Said{Blank: true}}, {&fault, " ; ", &Said{Blank: true}}, {&volts, "  ", &Said{Blank: true}}, {&upright, "-", &Said{Blank: true}}, {&feed, "don’t know", &Said{Blank: true}},
	} {
		got, err := x.q.Read(x.text)
		if x.want == nil {
			wantUnclear(t, x.text, err)
			continue
		}
		if err != nil || !reflect.DeepEqual(got, *x.want) {
			t.Errorf("%s %q is %+v, %v", x.q.Asks, x.text, got, err)
		}
	}
	if _, err := (&Question{ID: "q", Asks: "colour"}).Read("red"); err == nil {
		t.Error("a question that there is not was answered")
	}
}

// No phrase stands for two things, and each stands as plain makes it.
func TestPhrasesMeanOneThing(t *testing.T) {
	seen := func(name string, all ...string) {
		list := map[string]bool{}
		for _, s := range all {
			if list[s] || s != plain(s) {
				t.Errorf("%s: %q", name, s)
			}
			list[s] = true
		}
	}
	seen("behaviours", append(said(behaviourWords()), said(twofold())...)...)
	seen("sides", said(sideWords())...)
	seen("live", said(liveWords())...)
	seen("faults", said(faultWords())...)
	seen("feeds", said(feedReasons())...)
	seen("times", said(afterWords())...)
}

func said[T any](phrases []phrase[T]) (all []string) {
	for _, p := range phrases {
		all = append(all, p.said...)
	}
	return all
}

// Whatever is written is read, or asked back; never anything else.
func FuzzRead(f *testing.F) {
	for _, text := range []string{"12,4 V", "4 min 10 s", "t3 open; none", "no, because it stays on too long", "live 12.4 V", "1,234", ">= 9999999999999999 h", "\xff", "−"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, a := range []Asks{AsksBehaviour, AsksFeedSide, AsksVolts, AsksLowest, AsksStaysOn, AsksFeed, AsksFault, AsksMayProbe} {
			q := Question{ID: "q", Asks: a, Sides: []string{"left", "right"}, Slots: []string{"t3", "t5"}}
			got, err := q.Read(text)
			var u *Unclear
			if err != nil && (!errors.As(err, &u) || u.Ask == "" || len(u.Error()) > 4*writtenMost+500) {
				t.Errorf("%s %q: %v", a, text, err)
			}
			for _, v := range []*float64{got.Volts, secondsOf(got.After)} {
				if err == nil && v != nil && !(*v >= 0 && *v < 1e30) {
					t.Errorf("%s %q is %g", a, text, *v)
				}
			}
			if err == nil && got.Blank && !reflect.DeepEqual(got, Said{Blank: true}) {
				t.Errorf("%s %q is blank and %+v", a, text, got)
			}
		}
	})
}

func secondsOf(a *After) *float64 {
	if a == nil {
		return nil
	}
	return &a.S
}

func v(x float64) *float64 { return &x }

// What people write of a circuit in plain words is understood; what could mean two is asked
// back.
func TestPlainWordsOfBehaviours(t *testing.T) {
	q := Question{ID: "q", Asks: AsksBehaviour, Slot: "t1"}
	for text, want := range map[string]Behaviour{ // each by itself
		"Always live": Permanent, "live all the time": Permanent, "live in all positions": Permanent, "always": Permanent,
		"Live with ignition on": Ignition, "live when the ignition is on": Ignition, "live from on": Ignition,
		"live with accessory": Accessory, "live only while cranking": StartOnly, "live only when the engine runs": EngineRunning,
		"live until it sleeps": Awake, "works from its own switch": SwitchOperated, "on and off by itself": Intermittent, "no volts at all": NoVolts,
		"live": "", "switched": "", "while starting": "", "works from a switch": "",
	} {
		said, err := q.Read(text)
		if said.Behaviour != want || (err != nil) != (want == "") {
			t.Errorf("%q: %q, %v, want %q", text, said.Behaviour, err, want)
		}
	}
}
