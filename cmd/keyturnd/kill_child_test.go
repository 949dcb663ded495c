package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"slices"
	"sync/atomic"
	"syscall"
	"testing"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon/config"
)

// childEnv makes the test binary a keyturnd that drives a script, whole but for its buses,
// which it simulates, and its GPIO lines, which are the parent's.
const childEnv = "KEYTURN_TEST_SCRIPT"

// child says what a keyturnd in a process of its own is run with.
type child struct {
	Bench, Script string // files
	Eager         bool   // it takes the key switch as seen off before it looked
}

func TestMain(m *testing.M) {
	if text := os.Getenv(childEnv); text != "" {
		if err := runChild(text); err != nil {
			fmt.Println("keyturnd:", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// program is a keyturnd in a process of its own.
type program struct {
	cmd         *exec.Cmd
	ask, answer *os.File
	said        bytes.Buffer
}

func start(c child) (*program, error) {
	text, err := json.Marshal(c)
	if err != nil {
		return nil, err
	}
	p := &program{cmd: exec.Command(os.Args[0])}
	ask, itsAsk, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	itsAnswer, answer, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	p.ask, p.answer = ask, answer
	p.cmd.Env = append(os.Environ(), childEnv+"="+string(text))
	p.cmd.ExtraFiles = []*os.File{itsAsk, itsAnswer}
	p.cmd.Stdout, p.cmd.Stderr = &p.said, &p.said
	err = p.cmd.Start()
	return p, errors.Join(err, itsAsk.Close(), itsAnswer.Close())
}

// end ends it, if it still runs, and waits until it is gone.
func (p *program) end() {
	_ = p.cmd.Process.Kill() // it may be gone
	_ = p.cmd.Wait()
	p.ask.Close()
	p.answer.Close()
}

func runChild(text string) error {
	var c child
	if err := json.Unmarshal([]byte(text), &c); err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	files, err := parts.Read(c.Bench)
	if err != nil {
		return err
	}
	clock, err := adc.NewRealClock()
	if err != nil {
		return err
	}
	// Of what its parent opened before, these two are all that it has.
	w := &wires{ask: os.NewFile(3, "ask"), answer: os.NewFile(4, "answer"), eager: c.Eager}
	bus := adctest.NewBus(adctest.BusOptions{Clock: clock})
	for _, x := range files.Read.Chips {
		o := adctest.ADS1x15Options{Address: uint16(x.Address)}
		for _, l := range files.Read.Leads {
			if l.Chip == x.Name {
				o.Inputs[l.Input] = w.wave(files.Read, l)
			}
		}
		bus.Add(adctest.NewADS1x15(o))
	}
	return runScript(ctx, flags{Script: c.Script}, files, clock,
		func(string) (i2c.Bus, adc.Clock, error) { return bus, bus, nil },
		func(_ string, offset int) (gpio.PinIO, error) {
			isSwitch := slices.ContainsFunc(files.Read.Lines, func(l config.Line) bool { return l.Offset == offset && l.Role == config.LineKeySwitch })
			return &wire{GPIOLine: new(adctest.GPIO).Line(offset), wires: w, isSwitch: isSwitch}, nil
		})
}

// wires are the child's end of every line: what is written, or read, is so once the parent
// has answered. They are for one goroutine, their waves for any.
type wires struct {
	ask, answer *os.File
	eager       bool
	carries     atomic.Uint32 // outputs that do, as of the latest answer
}

// asked is a write of a line or the question for its level; told is the answer.
type (
	asked [3]byte // 'w' or 'r', offset, level
	told  [2]byte // level, outputs that carry current
)

func (w *wires) talk(a asked) bool {
	var is told
	if _, err := w.ask.Write(a[:]); err == nil {
		_, err = io.ReadFull(w.answer, is[:])
		if err == nil {
			w.carries.Store(uint32(is[1]))
			return is[0] != 0
		}
	}
	os.Exit(1) // nobody is there any more
	return false
}

// wire is one line.
type wire struct {
	*adctest.GPIOLine
	wires    *wires
	isSwitch bool
	looked   int
}

func (w *wire) Out(l gpio.Level) error {
	a := asked{'w', byte(w.Number())}
	if l {
		a[2] = 1
	}
	w.wires.talk(a)
	return nil
}

func (w *wire) Read() gpio.Level {
	level := w.wires.talk(asked{'r', byte(w.Number())})
	if w.isSwitch && w.wires.eager && w.looked < waitingTurns/2 {
		w.looked, level = w.looked+1, false
	}
	return gpio.Level(level)
}

// wave is what a lead reads: the supply, or the terminal that its relay feeds.
type wave struct {
	wires *wires
	relay int // its output; -1: the supply, -2: nothing
}

func (w *wires) wave(b config.Bench, l config.Lead) wave {
	if l.Role == config.RoleBatterySense {
		return wave{w, -1}
	}
	for i, o := range b.Outputs() {
		if o.Role == l.Role {
			return wave{w, i}
		}
	}
	return wave{w, -2}
}

// Mean is the voltage at the chip's input.
func (w wave) Mean(_, _ adc.Instant) float64 {
	if w.relay == -1 || w.relay >= 0 && w.wires.carries.Load()>>w.relay&1 != 0 {
		return 12.6 * 2.7 / 35.7
	}
	return 0
}
