package drive

import (
	"math/rand/v2"
	"testing"
	"time"
)

// hardware is what the outputs of a crashed program leave behind: lines as they were
// commanded last, behind a watchdog relay that hears no more pulses.
type hardware struct {
	lines Set
	on    [maxOutputs]time.Duration // since when each line is on
	pulse time.Duration             // the last change of the watchdog line
	level bool
}

const maxOutputs = 64

// see takes what a machine commanded.
func (h *hardware) see(now time.Duration, out Set) {
	if level := out.Has(watchdog); level != h.level {
		h.level, h.pulse = level, now
	}
	lines := out.Without(watchdog)
	for i := range maxOutputs {
		if lines.Has(i) && !h.lines.Has(i) {
			h.on[i] = now
		}
	}
	h.lines = lines
}

// overdue tells the first line that carries current longer than its limit, if nothing is
// commanded any more and the watchdog relay drops after hold.
func (h *hardware) overdue(b *Bench, hold time.Duration) (line int, lasted time.Duration, is bool) {
	dropped := h.pulse + hold
	for i := range b.Outputs {
		most := b.Limits.LoadMax
		switch i {
		case relay50:
			most = b.Limits.StartMax
		case load1, load2:
		default:
			continue
		}
		if lasted := dropped - h.on[i]; h.lines.Has(i) && lasted > most {
			return i, lasted, true
		}
	}
	return 0, 0, false
}

// Ten thousand times a script is driven through what buttons, supply, bus and time may do,
// and the program is killed at an instant: the relay that hears no pulses ends whatever was
// on, in time. A program that starts after that, with the key switch still armed, switches
// nothing until somebody has disarmed it.
func TestCrashesLeaveNothingOn(t *testing.T) {
	const sequences = 10_000
	rng := rand.New(rand.NewPCG(11, 12))
	drawn, runs, inStart, inLoad, welded := 0, 0, 0, 0, 0
	for runs < sequences {
		lasting := func(most int) byte { return byte(rng.IntN(most)) << 5 } // so many times 300 ms and 300 ms
		s := drawScript([]byte{byte(On) | lasting(4), byte(On) | 4 | lasting(5), byte(On) | lasting(3), byte(Start) | lasting(2), byte(On) | lasting(8), byte(On) | 12 | lasting(4), byte(Off)})
		b := bench()
		b.Limits.StartRest, b.Limits.StartMax, b.Limits.LoadDuty = 2*time.Second, time.Second, 0.5
		b.Limits = b.Limits.WithDefaults()
		if drawn++; drawn > 20*sequences {
			t.Fatalf("of %d scripts that were drawn only %d are taken: %+v", drawn, runs, s.Check(&b))
		}
		if s.Check(&b) != nil {
			continue
		}
		runs++
		m, err := New(b, s)
		if err != nil {
			t.Fatal(err)
		}
		h, now, out := &hardware{}, time.Hour, Set(0)
		w := &watch{t: t, b: b, l: b.Limits, on: make([]time.Duration, len(b.Outputs)), now: now, startTo: now}
		for k := range 20 + rng.IntN(240) {
			in := sound(m, out)
			if k == 0 {
				in.Arm = false
			}
			late := time.Duration(0)
			if rng.IntN(400) == 0 {
				late = spoil(&in, byte(rng.IntN(17)))
			}
			now += time.Duration(20+rng.IntN(80))*time.Millisecond + max(0, late)
			var events []Event
			out, events = m.Step(now, in)
			w.step(now, in, out, events)
			h.see(now, out)
		}
		if h.lines.Has(relay50) {
			inStart++
		}
		if h.lines.Has(load1) || h.lines.Has(load2) {
			inLoad++
		}
		if line, lasted, is := h.overdue(&b, DropWithin); is {
			t.Fatalf("sequence %d: killed with line %s on: it carries current for %v", runs, b.Outputs[line].Name, lasted)
		}
		if _, _, is := h.overdue(&b, time.Hour); is { // that relay is welded: the watch must see it
			welded++
		}
		m, err = New(b, s)
		if err != nil {
			t.Fatal(err)
		}
		for range 60 {
			now += 50 * time.Millisecond
			if out, _ := m.Step(now, sound(m, 0)); out != 0 {
				t.Fatalf("sequence %d: started again while armed, lines %b are on", runs, out)
			}
		}
	}
	t.Logf("%d sequences, %d killed in a start, %d under load", runs, inStart, inLoad)
	if inStart < 100 || inLoad < 100 {
		t.Errorf("%d were killed in a start and %d under load: too few to prove anything", inStart, inLoad)
	}
	if welded < inStart {
		t.Errorf("with a welded watchdog relay only %d of %d starts are found to go on: the watch sees nothing", welded, inStart)
	}
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
