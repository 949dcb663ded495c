package drive

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// watch judges the lines that a machine sets, from its inputs alone.
type watch struct {
	t       *testing.T
	b       Bench
	l       Limits
	now     time.Duration
	was     Set
	on      []time.Duration // since when each line is
	wasOff  bool            // Arm was seen off since the last doubt, end or beginning
	armed   bool
	startTo time.Duration // end of the last start
	starts  []time.Duration
}

// step is told what a machine was told and said.
func (w *watch) step(now time.Duration, in Inputs, out Set, events []Event) {
	lines := out.Without(watchdog)
	gap := now - w.now
	back := gap < 0
	w.now = now
	if back {
		w.startTo, w.starts = now, nil
	}
	if w.armed && (!in.Arm || !in.StopReleased || in.Trouble != "" || in.Age > StaleMost || gap > DeadMan || back ||
		!(in.SupplyV >= w.l.DipLowV && in.SupplyV <= w.l.SupplyHighV)) {
		w.armed, w.wasOff = false, false
	}
	switch {
	case !in.Arm && !w.armed:
		w.wasOff = true
	case w.wasOff && !w.armed:
		w.armed, w.wasOff = true, false
	}
	if !w.armed && out != 0 {
		w.t.Fatalf("%v: lines %b while not armed, or in doubt: %+v", now, out, in)
	}
	if slices.ContainsFunc(events, func(e Event) bool { return e.Kind == Latched || e.Kind == Ended }) {
		w.armed = false
		if out != 0 {
			w.t.Fatalf("%v: lines %b as it latches or ends", now, out)
		}
	}
	w.together(lines)
	for i := range w.b.Outputs {
		switch on, was := lines.Has(i), w.was.Has(i); {
		case on && !was:
			w.on[i] = now
			if i == relay50 {
				w.begins(now)
			}
		case on:
			w.lasts(i, now-w.on[i])
		case was && i == relay50:
			w.startTo = now
		}
	}
	w.was = lines
}

// together fails on lines that contradict each other.
func (w *watch) together(lines Set) {
	switch {
	case lines.Has(relay50) && (!lines.Has(relay15) || lines.Has(relay75)):
		w.t.Fatalf("%v: start without on, or with accessory: %b", w.now, lines)
	case lines.Has(relay15) && !lines.Has(relay75) && !lines.Has(relay50):
		w.t.Fatalf("%v: on without accessory: %b", w.now, lines)
	case lines.Has(load1) && (lines.Has(load2) || lines.Has(bleed1)):
		w.t.Fatalf("%v: load and load, or load and bleed resistor: %b", w.now, lines)
	}
}

// begins fails on a start that comes too early.
func (w *watch) begins(now time.Duration) {
	if now-w.startTo < w.l.StartRest {
		w.t.Fatalf("%v: a start %v after the last, or the beginning", now, now-w.startTo)
	}
	w.starts = append(w.starts, now)
	if n := len(w.starts) - 1 - w.l.StartsMost; n >= 0 && now-w.starts[n] < w.l.StartsWithin {
		w.t.Fatalf("%v: more than %d starts within %v", now, w.l.StartsMost, now-w.starts[n])
	}
}

// lasts fails on a line that is on so long that the next step might come too late.
func (w *watch) lasts(line int, lasted time.Duration) {
	most := time.Duration(math.MaxInt64)
	switch line {
	case relay50:
		most = w.l.StartMax - DeadMan
	case load1, load2:
		most = w.l.LoadMax - DeadMan
	}
	if lasted > most {
		w.t.Fatalf("%v: line %s on for %v", w.now, w.b.Outputs[line].Name, lasted)
	}
}

// drawScript makes a script of bytes; it may be refused.
func drawScript(b []byte) Script {
	s := Script{CrankSource: CrankSource(1 + len(b)%2)}
	for _, x := range b {
		step := Step{Position: Position(x & 3), For: time.Duration(1+x>>5) * 300 * time.Millisecond}
		switch x >> 2 & 7 {
		case 1:
			step.Loads = []string{"f1"}
		case 2:
			step.Loads = []string{"f2"}
		case 3:
			step.Bleeds = []string{"f1"}
		case 4:
			step.For, step.Settled, step.Most = 0, step.For, 4*step.For
		}
		s.Steps = append(s.Steps, step)
	}
	return s
}

// spoil makes one input what it should not be, sometimes.
func spoil(in *Inputs, x byte) (late time.Duration) {
	switch x {
	case 0:
		in.StopReleased = false
	case 1:
		in.SupplyV = math.NaN()
	case 2:
		in.SupplyV = 5.5
	case 3:
		in.SupplyV = 30
	case 4:
		in.Trouble = "a line could not be written"
	case 5:
		in.Age = time.Second
	case 6:
		in.ReadBack = ^in.ReadBack
	case 7:
		in.Terminals[1] = NotSeen
	case 8:
		return time.Hour
	case 9:
		return -time.Hour
	case 10:
		return DeadMan + 1
	case 11, 12, 13, 14, 15:
		in.Arm = false
	case 16:
		in.QuietFor = 0
	}
	return 0
}

// sound is what a bench shows whose relays follow.
func sound(m *Machine, out Set) Inputs {
	in := Inputs{Arm: true, StopReleased: true, SupplyV: 12.6, QuietFor: time.Hour, ReadBack: out.Without(watchdog)}
	if m.armed() {
		in.ReadBack = in.ReadBack.With(watchdog)
	}
	for k := range terminals {
		in.Terminals[k] = SeenDead
		if out.Has(relay75 + k) {
			in.Terminals[k] = SeenLive
		}
	}
	return in
}

// play steps a machine through what bytes say and lets the watch judge. The relays of
// its bench follow unless spoiled.
func play(t *testing.T, b Bench, s Script, data []byte) (starts, loads int) {
	m, err := New(b, s)
	if err != nil {
		return 0, 0
	}
	w := &watch{t: t, b: b, l: m.b.Limits, on: make([]time.Duration, len(b.Outputs)), now: time.Hour, startTo: time.Hour}
	r := &rig{t: t, m: m, now: time.Hour}
	for i := 0; i+1 < len(data); i += 2 {
		r.in = sound(m, r.out)
		late := spoil(&r.in, data[i])
		r.now += time.Duration(data[i+1])*DeadMan/255 + late
		was := r.out
		out, events := m.Step(r.now, r.in)
		w.step(r.now, r.in, out, events)
		r.out = out
		if out.Has(relay50) && !was.Has(relay50) {
			starts++
		}
		if (out.Has(load1) || out.Has(load2)) && !was.Has(load1) && !was.Has(load2) {
			loads++
		}
	}
	return starts, loads
}

// Whatever scripts say and the bench shows, nothing is on that must not be.
func TestNothingIsOnThatMustNotBe(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 8))
	runs, starts, loads := 0, 0, 0
	for runs < 150 {
		bytes := randomBytes(rng, 1+rng.IntN(12))
		if rng.IntN(2) == 0 {
			bytes = append(bytes, byte(On), byte(Start)|32, byte(On), byte(Start), byte(On))
		}
		s := drawScript(append(bytes, byte(Off)))
		b := bench()
		if rng.IntN(2) == 0 {
			b.Limits.StartRest, b.Limits.StartMax, b.Limits.LoadDuty = 2*time.Second, time.Second, 0.5
		}
		if s.Check(&b) != nil {
			continue
		}
		runs++
		data := randomBytes(rng, 16000)
		for i := 0; i < len(data); i += 2 { // most steps are sound, else nothing is ever reached
			switch rng.IntN(600) {
			case 0:
				data[i] = byte(rng.IntN(17))
			case 1, 2:
				data[i] = 11 // disarmed, and armed again
			default:
				data[i] = 255
			}
		}
		data[0] = 11
		n, k := play(t, b, s, data)
		starts, loads = starts+n, loads+k
	}
	t.Logf("%d runs with %d starts and %d loads", runs, starts, loads)
	if starts < 100 || loads < 100 {
		t.Errorf("%d starts and %d loads in %d runs: too few to prove anything", starts, loads, runs)
	}
}

func randomBytes(rng *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(rng.IntN(256))
	}
	return b
}

func FuzzMachine(f *testing.F) {
	f.Add([]byte{1, 2, 3, 0}, []byte{11, 100, 255, 100, 255, 255, 255, 255, 255, 255, 255, 255, 255, 255})
	f.Add([]byte{2, 6, 2, 14, 0}, []byte{12, 1, 255, 0, 8, 0, 9, 0, 13, 0, 255, 200, 6, 0})
	f.Fuzz(func(t *testing.T, script, data []byte) {
		b := bench()
		b.Limits.StartRest, b.Limits.StartMax = 2*time.Second, time.Second
		play(t, b, drawScript(script), data)
	})
}

// A machine that was not made by New switches nothing.
func TestZeroMachineSwitchesNothing(t *testing.T) {
	var m Machine
	for i, arm := range []bool{false, true, true, true} {
		if out, _ := m.Step(time.Duration(i)*50*time.Millisecond, Inputs{Arm: arm, StopReleased: true, SupplyV: 12}); out != 0 {
			t.Errorf("lines %b", out)
		}
	}
}
