package drive

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// The lines of the bench that the tests drive, by their number.
const (
	relay75 = iota
	relay15
	relay50
	load1
	load2
	bleed1
	watchdog
)

func bench() Bench {
	return Bench{OffVehicle: true, Terminals: [terminals]bool{true, true, true}, Outputs: []Output{
		{Name: "relay-75", Role: RelayAccessory, ReadBack: true},
		{Name: "relay-15", Role: RelayOn},
		{Name: "relay-50", Role: RelayStart, ReadBack: true},
		{Name: "load-1", Role: TestLoad, Slot: "f1", Ohm: 10, Watt: 50},
		{Name: "load-2", Role: TestLoad, Slot: "f2", Ohm: 1, Watt: 25},
		{Name: "bleed-1", Role: BleedResistor, Slot: "f1"},
		{Name: "pulse", Role: Watchdog, ReadBack: true},
	}}
}

func stay(p Position, lasts time.Duration) Step { return Step{Position: p, For: lasts} }

func script() Script {
	return Script{CrankSource: SupplyDip, Steps: []Step{
		stay(Accessory, 2*time.Second),
		{Position: On, Settled: time.Second, Most: 10 * time.Second},
		{Position: On, For: time.Second, Bleeds: []string{"f1"}},
		{Position: On, For: time.Second, Loads: []string{"f1"}},
		stay(On, 500*time.Millisecond),
		stay(Start, 1500*time.Millisecond),
		stay(On, 2*time.Second),
		{Position: Off, Settled: 2 * time.Second, Most: 5 * time.Second},
	}}
}

// rig is a bench without faults: relays and terminals follow at once.
type rig struct {
	t   *testing.T
	m   *Machine
	now time.Duration
	in  Inputs
	out Set
	log []string
}

func newRig(t *testing.T, b Bench, s Script) *rig {
	t.Helper()
	m, err := New(b, s)
	if err != nil {
		t.Fatal(err)
	}
	return &rig{t: t, m: m, now: time.Minute, in: Inputs{StopReleased: true, SupplyV: 12.6, QuietFor: time.Hour}}
}

// step lets a time pass and the bench follow, then steps the machine.
func (r *rig) step(during time.Duration) {
	r.now += during
	r.in.ReadBack = r.out.Without(watchdog)
	if r.m.armed() {
		r.in.ReadBack = r.in.ReadBack.With(watchdog)
	}
	for k := range terminals {
		r.in.Terminals[k] = SeenDead
		if r.out.Has(relay75 + k) {
			r.in.Terminals[k] = SeenLive
		}
	}
	r.take(r.m.Step(r.now, r.in))
}

func (r *rig) take(out Set, events []Event) {
	r.out = out
	for _, e := range events {
		text := fmt.Sprintf("%.2f ", e.At.Seconds())
		switch e.Kind {
		case Ready:
			continue
		case Armed:
			text += "armed"
		case Moved:
			text += e.Position.String()
		case Switched:
			text += r.m.b.Outputs[e.Output].Name + " " + onOff(e.On)
		case Waiting:
			text += "waits for " + e.Position.String()
		case Unsettled:
			text += "unsettled"
		case Latched:
			text += "latched: " + e.Why
		case Ended:
			text += "ended"
		}
		r.log = append(r.log, text)
	}
}

// run steps until something is logged that has a word in it.
func (r *rig) run(word string, most time.Duration) {
	r.t.Helper()
	for from := r.now; r.now < from+most; {
		r.step(10 * time.Millisecond)
		if n := len(r.log); n > 0 && slices.ContainsFunc(r.log, func(x string) bool { return strings.Contains(x, word) }) {
			return
		}
	}
	r.t.Fatalf("no %q in %v:\n%s", word, most, strings.Join(r.log, "\n"))
}

func (r *rig) arm() {
	r.in.Arm = false
	r.step(10 * time.Millisecond)
	r.in.Arm = true
	r.step(10 * time.Millisecond)
}

// A script is driven from its first step to its last; the load waits until 18 s and the
// start until 30 s after the machine began, for nobody knows what was before.
func TestScriptIsDriven(t *testing.T) {
	r := newRig(t, bench(), script())
	r.arm()
	r.run("ended", time.Minute)
	want := strings.Split(`60.02 armed
60.52 accessory
60.52 relay-75 on
62.52 on
62.52 relay-15 on
63.52 on
63.52 bleed-1 on
64.52 waits for on
64.52 bleed-1 off
78.01 on
78.01 load-1 on
79.01 on
79.01 load-1 off
79.51 waits for start
90.01 start
90.01 relay-75 off
90.01 relay-50 on
91.51 on
91.51 relay-75 on
91.51 relay-50 off
93.51 off
93.51 relay-75 off
93.51 relay-15 off
95.51 ended`, "\n")
	if !slices.Equal(r.log, want) {
		t.Errorf("\n%s\nwant\n%s", strings.Join(r.log, "\n"), strings.Join(want, "\n"))
	}
	r.log = nil
	for range 100 { // the switch is still on: nothing begins by itself
		r.step(10 * time.Millisecond)
	}
	if len(r.log) > 0 || r.out != 0 {
		t.Errorf("after the end: %v, lines %b", r.log, r.out)
	}
}

// Whatever makes the bench doubtful switches everything off, at once and for good:
// only off and on again at the bench arms it anew.
func TestAnyDoubtSwitchesEverythingOff(t *testing.T) {
	for _, c := range []struct {
		name, why string
		spoil     func(r *rig)
	}{
		{"stop", "the emergency stop is pressed, or its contact is open", func(r *rig) { r.in.StopReleased = false }},
		{"disarmed", "disarmed at the bench", func(r *rig) { r.in.Arm = false }},
		{"no supply", "the bench supply is at NaN V, want 11 to 15 V", func(r *rig) { r.in.SupplyV = math.NaN() }},
		{"low supply", "the bench supply is at 10.90 V, want 11 to 15 V", func(r *rig) { r.in.SupplyV = 10.9 }},
		{"high supply", "the bench supply is at 15.10 V, want 11 to 15 V", func(r *rig) { r.in.SupplyV = 15.1 }},
		{"old samples", "nothing was measured for 260ms", func(r *rig) { r.in.Age = 260 * time.Millisecond }},
		{"write failed", "line relay-15 could not be written", func(r *rig) { r.in.Trouble = "line relay-15 could not be written" }},
		{"hang", "the program stood still for 120ms", func(r *rig) { r.now += 110 * time.Millisecond }},
		{"clock", "the time went backwards", func(r *rig) { r.now -= time.Hour }},
		{"read-back off", "line relay-75 is switched on and its contact says otherwise", func(r *rig) { r.in.ReadBack = r.in.ReadBack.Without(relay75) }},
		{"read-back on", "line relay-50 is switched off and its contact says otherwise", func(r *rig) { r.in.ReadBack = r.in.ReadBack.With(relay50) }},
		{"watchdog relay", "line pulse is switched on and its contact says otherwise", func(r *rig) { r.in.ReadBack = r.in.ReadBack.Without(watchdog) }},
		{"terminal off", "terminal 75 is switched on and its lead shows no volts", func(r *rig) { r.in.Terminals[0] = SeenDead }},
		{"terminal on", "terminal 50 is switched off and its lead shows live", func(r *rig) { r.in.Terminals[2] = SeenLive }},
		{"terminal unknown", "terminal 15 is switched off and its lead shows nothing", func(r *rig) { r.in.Terminals[1] = NotSeen }},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, bench(), script())
			r.arm()
			r.run("relay-75 on", time.Second)
			for range 100 {
				r.step(10 * time.Millisecond)
			}
			good := r.in
			c.spoil(r)
			r.now += 10 * time.Millisecond
			r.take(r.m.Step(r.now, r.in))
			if last := r.log[len(r.log)-1]; r.out != 0 || !strings.HasSuffix(last, "latched: "+c.why) {
				t.Fatalf("lines %b, %s, want %s", r.out, last, c.why)
			}
			r.in, r.log = good, nil
			for range 1000 { // all is well again, and the switch on
				r.step(10 * time.Millisecond)
				if r.out != 0 {
					t.Fatalf("it goes on by itself: %v", r.log)
				}
			}
			if c.name == "disarmed" {
				return
			}
			r.arm()
			r.run("relay-75 on", time.Second)
		})
	}
}

// What is wrong beforehand is told when it is to be armed, and nothing pulses.
func TestDoubtfulBenchIsNotArmed(t *testing.T) {
	r := newRig(t, bench(), script())
	r.step(10 * time.Millisecond)
	r.in.Arm, r.in.StopReleased = true, false
	for range 100 {
		r.step(10 * time.Millisecond)
		if r.out != 0 {
			t.Fatal("something is on")
		}
	}
	if len(r.log) != 1 || !strings.Contains(r.log[0], "emergency stop") {
		t.Errorf("told %q", r.log)
	}
	r = newRig(t, bench(), script())
	r.in.Arm = true // a switch left on arms nothing
	for range 100 {
		r.step(10 * time.Millisecond)
	}
	if len(r.log) > 0 {
		t.Errorf("a switch that was on at the beginning: %q", r.log)
	}
}

// While armed the watchdog line changes at least every 50 ms of 10 ms steps, before the
// first relay is on, and no more once anything is doubtful.
func TestWatchdogPulses(t *testing.T) {
	r := newRig(t, bench(), script())
	r.arm()
	changes, level := 0, false
	for range 45 {
		r.step(10 * time.Millisecond)
		if now := r.out.Has(watchdog); now != level {
			changes, level = changes+1, now
		}
	}
	if changes < 40 || r.out.Without(watchdog) != 0 {
		t.Errorf("%d changes in 450 ms, lines %b", changes, r.out)
	}
	r.in.StopReleased = false
	for range 100 {
		if r.step(10 * time.Millisecond); r.out != 0 {
			t.Fatalf("lines %b after a doubt", r.out)
		}
	}
}

// A supply that does not settle does not hold the script for ever.
func TestUnsettledStepEnds(t *testing.T) {
	r := newRig(t, bench(), script())
	r.in.QuietFor = 0
	r.arm()
	r.run("unsettled", 20*time.Second)
	if got := r.log[len(r.log)-3]; got != "72.52 unsettled" {
		t.Errorf("%q in %q", got, r.log)
	}
}

// A start with the supply dipping is no doubt, unless the script says that nothing
// turns; nor is a supply that has not yet come back.
func TestSupplyMayDipInAStart(t *testing.T) {
	for _, source := range []CrankSource{SupplyDip, ContactOnly} {
		s := script()
		s.CrankSource = source
		r := newRig(t, bench(), s)
		r.arm()
		r.run("relay-50 on", time.Minute)
		r.in.SupplyV = 7.5
		r.step(10 * time.Millisecond)
		if on := r.out.Has(relay50); on != (source == SupplyDip) {
			t.Errorf("source %d: starting %v after the dip: %v", source, on, r.log[len(r.log)-1])
		}
		if source == SupplyDip {
			r.run("relay-50 off", 3*time.Second)
			for range 90 {
				r.step(10 * time.Millisecond)
			}
			if r.out == 0 {
				t.Errorf("off while the supply comes back: %v", r.log[len(r.log)-1])
			}
			for range 20 {
				r.step(10 * time.Millisecond)
			}
			if r.out != 0 {
				t.Error("it does not mind that the supply stays low")
			}
		}
	}
}

// Starts keep their rest, also from one run to the next, and their number.
func TestStartsRest(t *testing.T) {
	s := Script{CrankSource: ContactOnly}
	for range 7 {
		s.Steps = append(s.Steps, stay(On, time.Second), stay(Start, 2*time.Second))
	}
	s.Steps = append(s.Steps, stay(Off, time.Second))
	r := newRig(t, bench(), s)
	var begins []time.Duration
	for range 2 {
		r.log = nil
		r.arm()
		for was := false; len(r.log) == 0 || !strings.HasSuffix(r.log[len(r.log)-1], "ended"); was = r.out.Has(relay50) {
			r.step(20 * time.Millisecond)
			if on := r.out.Has(relay50); on && !was {
				begins = append(begins, r.now)
			}
			if r.now > 2*time.Hour {
				t.Fatal(r.log)
			}
		}
	}
	if len(begins) != 14 {
		t.Fatalf("%d starts, want 14", len(begins))
	}
	for i, at := range begins {
		if i > 0 && at-begins[i-1] < 32*time.Second {
			t.Errorf("start %d after %v, want 2 s and a rest of 30 s", i, at-begins[i-1])
		}
		if i >= 5 && at-begins[i-5] < 10*time.Minute {
			t.Errorf("six starts within %v", at-begins[i-5])
		}
	}
}

// A load rests nine times as long as it was on, and no resistor gets hotter than ten
// joules for each watt of its rating: 14.4 V on 1 Ω is 207 W, 182 more than its 25.
func TestLoadsRest(t *testing.T) {
	s := Script{CrankSource: ContactOnly}
	for range 6 {
		s.Steps = append(s.Steps, stay(On, time.Second), Step{Position: On, For: time.Second, Loads: []string{"f2"}})
	}
	s.Steps = append(s.Steps, stay(Off, time.Second))
	r := newRig(t, bench(), s)
	r.in.SupplyV = 14.4
	r.arm()
	heat, offAt, was := 0.0, time.Duration(0), false
	for len(r.log) == 0 || !strings.HasSuffix(r.log[len(r.log)-1], "ended") {
		r.step(10 * time.Millisecond)
		on := r.out.Has(load2)
		if was {
			heat += (14.4*14.4 - 25) * 0.01
		} else {
			heat = max(0, heat-25*0.01)
		}
		if heat > 250 {
			t.Fatalf("%.0f J in a resistor of 25 W", heat)
		}
		if on && !was && offAt > 0 && r.now-offAt < 9*time.Second {
			t.Errorf("on again after %v", r.now-offAt)
		}
		if was && !on {
			offAt = r.now
		}
		was = on
		if r.now > time.Hour {
			t.Fatal(r.log)
		}
	}
	if offAt == 0 {
		t.Error("the load was never on")
	}
}

// A start and a test load stay apart, whatever a script says, until contacts have let go
// and, where a start pulls the supply down, that has recovered.
func TestStartAndLoadStayApart(t *testing.T) {
	short, load := stay(On, 10*time.Millisecond), Step{Position: On, For: time.Second, Loads: []string{"f1"}}
	for source, apart := range map[CrankSource]time.Duration{ContactOnly: Apart, SupplyDip: DipAfter} { // each by itself
		b := bench()
		b.Limits = Limits{StartMax: 2 * time.Second, StartRest: 2 * time.Second, LoadMax: 2 * time.Second, LoadDuty: 0.5}
		r := newRig(t, b, Script{CrankSource: source, Steps: []Step{short, load, short, stay(Start, time.Second), short, load, short, stay(Off, time.Second)}})
		r.arm()
		loadOff, startOff, was := time.Duration(0), time.Duration(0), Set(0)
		for len(r.log) == 0 || !strings.HasSuffix(r.log[len(r.log)-1], "ended") {
			was = r.out
			r.step(10 * time.Millisecond)
			on, off := r.out&^was, was&^r.out
			if gap := r.now - loadOff; on.Has(relay50) && gap < Apart {
				t.Errorf("source %d: a start %v after a load", source, gap)
			}
			if gap := r.now - startOff; on.Has(load1) && startOff > 0 && (gap < apart || gap > 2*time.Second) {
				t.Errorf("source %d: a load %v after a start", source, gap)
			}
			if off.Has(load1) {
				loadOff = r.now
			}
			if off.Has(relay50) {
				startOff = r.now
			}
			if r.now > time.Hour {
				t.Fatal(r.log)
			}
		}
		if loadOff < startOff || startOff == 0 {
			t.Errorf("source %d: no load before and after a start: %v", source, r.log)
		}
	}
}

func TestWhatIsRefused(t *testing.T) {
	on, start, off := stay(On, time.Second), stay(Start, time.Second), stay(Off, time.Second)
	for _, c := range []struct {
		want  string
		steps []Step
	}{
		{"step 0: 0 steps; write 1 to 200", nil},
		{"step 1: the script ends with the key at on; add a step with off", []Step{on}},
		{"step 2: a start of 9.95s; at most 9.8s", []Step{on, stay(Start, 9950*time.Millisecond), on, off}},
		{"step 1: a start must come from on; add a step with on before it", []Step{start, on, off}},
		{"step 2: a start goes back to on or off; add a step with on after it", []Step{on, start, stay(Accessory, 1), off}},
		{"step 2: a test load right after a start; add a step without between them", []Step{on, start, {Position: On, For: 1, Loads: []string{"f1"}}, off}},
		{"step 2: a start right after a test load; add a step without between them", []Step{{Position: On, For: 1, Loads: []string{"f1"}}, start, on, off}},
		{"step 1: no time; write either for_s, or settled_s with most_s", []Step{{Position: On}, off}},
		{"step 1: no time; write either for_s, or settled_s with most_s", []Step{{Position: On, For: 1, Settled: 1, Most: 2}, off}},
		{"step 1: lasts at most 1s; write more than settled_s, and at most 1h0m0s", []Step{{Position: On, Settled: 2e9, Most: 1e9}, off}},
		{"step 1: slot \"f9\" has no bleed resistor; add its [[line]] to the bench file", []Step{{Position: On, For: 1, Bleeds: []string{"f9"}}, off}},
		{"step 1: slot \"f9\" has no test load; add its [[line]] to the bench file", []Step{{Position: On, For: 1, Loads: []string{"f9"}}, off}},
		{"step 1: 2 test loads; one at a time", []Step{{Position: On, For: 1, Loads: []string{"f1", "f2"}}, off}},
		{"step 1: a test load and a bleed resistor at once; write a step for each", []Step{{Position: On, For: 1, Loads: []string{"f1"}, Bleeds: []string{"f1"}}, off}},
		{"step 1: a test load is on for 2s; write for_s of at most 1.8s", []Step{{Position: On, For: 2e9, Loads: []string{"f1"}}, off}},
		{"step 1: line load-2 would get too hot in 1.8s; write a shorter time, or fit a resistor of more than 25 W", []Step{{Position: On, For: 18e8, Loads: []string{"f2"}}, off}},
		{"step 0: its steps may take 1h0m1s; at most 1h0m0s", []Step{stay(On, time.Hour), off}},
	} {
		_, err := New(bench(), Script{Steps: c.steps})
		if err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%v, want %s", err, c.want)
		}
	}
	for want, change := range map[string]func(*Bench){
		"a vehicle":                      func(b *Bench) { b.OffVehicle = false },
		"no watchdog line":               func(b *Bench) { b.Outputs = b.Outputs[:watchdog] },
		"another line does the same":     func(b *Bench) { b.Outputs[relay75].Role = RelayOn },
		"needs a relay for terminal 50":  func(b *Bench) { b.Outputs = slices.Delete(b.Outputs, relay50, relay50+1) },
		"its resistance and its rated":   func(b *Bench) { b.Outputs[load1].Ohm = 0 },
		"65 output lines":                func(b *Bench) { b.Outputs = make([]Output, 65) },
		"starts: want at most 30 s":      func(b *Bench) { b.Limits.StartMax = time.Minute },
		"starts: want 1 to 20":           func(b *Bench) { b.Limits.StartsMost = 21 },
		"supply: want":                   func(b *Bench) { b.Limits.SupplyHighV = math.NaN() },
		"test loads: want at most 10 s":  func(b *Bench) { b.Limits.LoadDuty = 0.6 },
		"a start of 1.5s; at most 300ms": func(b *Bench) { b.Limits.StartMax = 500 * time.Millisecond },
	} {
		b := bench()
		change(&b)
		if _, err := New(b, script()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %s", err, want)
		}
	}
}

func TestStepAllocatesNothing(t *testing.T) {
	r := newRig(t, bench(), script())
	r.arm()
	if n := testing.AllocsPerRun(1000, func() {
		r.now += 10 * time.Millisecond
		r.m.Step(r.now, r.in)
	}); n > 1 { // the few events apart
		t.Errorf("%g allocations a step", n)
	}
}
