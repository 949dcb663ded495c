package main

import (
	"fmt"
	"math"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/vehicle"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// measured is the board of an exercise with its bench and a hand meter, on simulated time.
type measured struct {
	t     *testing.T
	e     config.Exercise
	box   config.Box
	p     *practice
	now   adc.Instant
	bench *daemon.Replay
	leads []adc.Lead
	final *protocol.Cycle
}

func newMeasured(t *testing.T, exercise string) *measured {
	t.Helper()
	m := &measured{t: t, now: fastStart}
	name := "../../testdata/exercises/" + exercise + ".toml"
	var err error
	if m.e, m.box, err = readExercise(name); err != nil {
		t.Fatal(err)
	}
	if m.p, err = newPractice(name, &m.e, &m.box, "tcp://127.0.0.1:1"); err != nil {
		t.Fatal(err)
	}
	m.p.board = vehicle.NewBoard(vehicle.BoardOptions{Start: m.now, Seed: 1, Dips: true, ByHand: true, Slots: boardSlots(&m.e, &m.box, m.p.slots)})
	m.p.now = func() adc.Instant { return m.now }
	params := m.p.simulation.bench.Params()
	m.leads = params.Leads
	if m.bench, err = daemon.NewReplay(daemon.ReplayOptions{Bench: demoBench, Params: params, Description: protocol.Description{Subject: protocol.Subject(m.e.Subject)}}); err != nil {
		t.Fatal(err)
	}
	return m
}

// stay lets time pass: each lead is read every 6.5 ms, as 16 of them are. It returns the
// lowest figure that the meter showed of a slot's lead.
func (m *measured) stay(slot string, d time.Duration) float64 {
	lowest := math.Inf(1)
	for end := m.now.Add(d); m.now < end; m.now = m.now.Add(6500 * time.Microsecond) {
		for i := range m.leads {
			from := m.now.Add(time.Duration(i) * 400 * time.Microsecond)
			to := from.Add(1163 * time.Microsecond)
			code := math.Round(m.p.board.Wave(i).Mean(from, to) / 4.096 * 32768)
			m.take(adc.Input{Kind: adc.SampleInput, At: to, Sample: adc.Sample{Lead: i, Code: int16(code), FullScaleUV: 4096000, From: from, To: to, NoiseV: 125e-6}})
		}
		lowest = min(lowest, m.shown(slot))
	}
	return lowest
}

func (m *measured) take(in adc.Input) {
	for _, d := range m.bench.Step(in) {
		if c, ok := d.(*protocol.Cycle); ok && c.Final {
			m.final = c
		}
	}
}

// shown is what the meter shows of a slot's feed.
func (m *measured) shown(slot string) float64 {
	for i, l := range m.p.simulation.bench.Leads {
		if l.Slot == slot {
			return m.p.board.Shown(i)
		}
	}
	m.t.Fatalf("slot %s has no lead", slot)
	return 0
}

// marks are those of answers by what the bench has measured last.
func (m *measured) marks(meter string, answers map[string]string) judge.Marks {
	m.t.Helper()
	questions := evidence.Questions(&m.e, &m.box)
	sheet, err := (&exerciseMark{Answer: answers, Meter: meter}).sheet(&m.e, questions)
	if err != nil {
		m.t.Fatal(err)
	}
	sheet.OnVehicle = m.final.Subject == protocol.Vehicle
	return judge.MarkSheet(questions, evidence.Found(m.final, &m.box, &m.e, nil), sheet)
}

func (m *measured) wantAll(marks judge.Marks, of float64) {
	m.t.Helper()
	if marks.Got == of && marks.Of == of && marks.NotMarked == 0 {
		return
	}
	for i := range marks.Marks {
		m.t.Errorf("%s: %+v", marks.Marks[i].Question, report.Mark(&marks.Marks[i]))
	}
}

// Volts that an apprentice reads off a hand meter are right by what the bench measures
// afterwards.
func TestVoltsOffAMeterAreRight(t *testing.T) {
	m := newMeasured(t, "first-volts")
	figure := func(slot string) string { return fmt.Sprintf("live %.2f V", m.shown(slot)) }
	m.stay("t1", 2*time.Second)
	answers := map[string]string{"lamp-a-off": figure("t1"), "lamp-b-off": "no volts", "lamp-a-side": "upper"}
	if v := m.shown("t2"); v > 0.1 {
		t.Errorf("t2 shows %.2f V with the key off", v)
	}
	for range 2 {
		m.p.Turn(protocol.PositionOn)
		m.stay("t2", 2*time.Second)
		answers["lamp-b-on"] = figure("t2")
		m.p.Turn(protocol.PositionOff)
		m.stay("t2", 1500*time.Millisecond)
	}
	m.stay("t2", practiceWatchS*time.Second)
	m.wantAll(m.marks("yellow", answers), 8)

	answers["lamp-a-off"], answers["lamp-b-off"], answers["lamp-b-on"] = "no volts", "live 12.6 V", "live 11.9 V"
	if marks := m.marks("yellow", answers); marks.Got != 3 || marks.Of != 8 {
		t.Errorf("wrong answers: %g of %g", marks.Got, marks.Of)
	}
}

// So is the lowest voltage that it shows in another start of the same board.
func TestTheDipOffAMeterIsRight(t *testing.T) {
	m := newMeasured(t, "the-dip")
	answers := map[string]string{"screen": "accessory"}
	for _, x := range [][2]string{{"f03", "socket-dip"}, {"f01", "radio-dip"}, {"f03", ""}} {
		m.stay("f03", 3*time.Second)
		answers["socket-rest"] = fmt.Sprintf("live %.2f V", m.shown("f03"))
		for _, p := range []protocol.Position{protocol.PositionAccessory, protocol.PositionOn} {
			m.p.Turn(p)
			m.stay("f03", 2*time.Second)
		}
		m.p.Turn(protocol.PositionStart)
		if lowest := m.stay(x[0], 1500*time.Millisecond); x[1] != "" {
			answers[x[1]] = fmt.Sprintf("%.2f V", lowest)
		}
		m.p.Turn(protocol.PositionRunning)
		m.stay("f03", 3*time.Second)
		m.p.Turn(protocol.PositionOff)
	}
	m.stay("f03", (practiceWatchS+2)*time.Second)
	m.wantAll(m.marks("yellow-min", answers), 12)

	answers["socket-dip"], answers["radio-dip"] = "12.5 V", "12.4 V"
	if marks := m.marks("yellow-min", answers); marks.Got != 4 || marks.Of != 12 {
		t.Errorf("volts at rest for the dip: %g of %g", marks.Got, marks.Of)
	}
}

// A switch that nobody works in the turn of the key that marks is not marked, whatever is
// said of it; worked, the right answer gets its marks.
func TestASwitchIsMarkedOnceItIsWorked(t *testing.T) {
	answers := map[string]string{"lamp-a": "permanent", "lamp-b": "ignition", "motor": "accessory", "solenoid": "only while starting", "dynamo": "engine running", "empty": "no volts"}
	for _, worked := range []bool{false, true} {
		m := newMeasured(t, "by-key")
		m.stay("t6", 2*time.Second)
		for _, p := range []protocol.Position{protocol.PositionAccessory, protocol.PositionOn, protocol.PositionStart, protocol.PositionRunning, protocol.PositionOff} {
			m.p.Turn(p)
			m.stay("t6", 1500*time.Millisecond)
			if p == protocol.PositionOn && worked {
				m.p.Operate("switch-t6")
				m.stay("t6", time.Second)
				m.p.Operate("switch-t6")
				m.stay("t6", time.Second)
			}
		}
		m.stay("t6", (practiceWatchS+2)*time.Second)
		for _, said := range []string{"switch-operated", "no volts", ""} {
			answers["switch"] = said
			marks, want := m.marks("", answers), 13.0
			if worked && said == "switch-operated" {
				m.wantAll(marks, want)
			} else if !worked && (marks.Got != want-2 || marks.Of != want-2 || marks.NotMarked != 1) {
				t.Errorf("%q: %g of %g, %d not marked", said, marks.Got, marks.Of, marks.NotMarked)
			}
		}
	}
}
