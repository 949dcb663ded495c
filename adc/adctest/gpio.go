package adctest

import (
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// LineFault is what is wrong with a GPIO line.
type LineFault uint8

// The faults of a line.
const (
	LineSound     LineFault = iota
	LineStuckLow            // its wire is low, whatever is written
	LineStuckHigh           // its wire is high, whatever is written
	LineError               // a write fails and changes nothing; a read fails, and reads low
	LineGlitch              // the next read is wrong
	LineUnsure              // a write fails, and changes the level all the same
)

// GPIO is a simulated GPIO chip, for one goroutine. Its lines are low until something
// drives them, as a Raspberry Pi pulls most of its own down.
type GPIO struct {
	lines map[int]*GPIOLine
}

// Line returns a line of the chip by its offset.
func (g *GPIO) Line(offset int) *GPIOLine {
	if g.lines == nil {
		g.lines = map[int]*GPIOLine{}
	}
	l := g.lines[offset]
	if l == nil {
		l = &GPIOLine{offset: offset}
		g.lines[offset] = l
	}
	return l
}

// GPIOLine is a line of a GPIO. It implements gpio.PinIO.
type GPIOLine struct {
	// Fault is what is wrong with it.
	Fault LineFault
	// Wire is told the level on the wire when it may have changed; nil for nobody.
	Wire func(high bool)

	offset int
	level  gpio.Level
}

// Put puts a level on a wire that the program reads.
func (l *GPIOLine) Put(high bool) { l.level = gpio.Level(high) }

// High reports whether the wire is high.
func (l *GPIOLine) High() bool {
	switch l.Fault {
	case LineStuckLow:
		return false
	case LineStuckHigh:
		return true
	}
	return bool(l.level)
}

// Out drives the line.
func (l *GPIOLine) Out(level gpio.Level) error {
	if l.Fault == LineError {
		return errors.New("set line values: input/output error")
	}
	l.level = level
	if l.Wire != nil {
		l.Wire(l.High())
	}
	if l.Fault == LineUnsure {
		return errors.New("set line values: connection timed out")
	}
	return nil
}

// In makes it an input.
func (l *GPIOLine) In(gpio.Pull, gpio.Edge) error {
	if l.Fault == LineError {
		return errors.New("line_request ioctl: device or resource busy")
	}
	return nil
}

// Read returns the level on the wire; low where it cannot be read, as periph has it.
func (l *GPIOLine) Read() gpio.Level {
	switch l.Fault {
	case LineError:
		return gpio.Low
	case LineGlitch:
		l.Fault = LineSound
		return !l.level
	}
	return gpio.Level(l.High())
}

// String returns its name.
func (l *GPIOLine) String() string { return l.Name() }

// Name returns its name.
func (l *GPIOLine) Name() string { return fmt.Sprintf("simulated-%d", l.offset) }

// Number returns its offset.
func (l *GPIOLine) Number() int { return l.offset }

// Function is not told.
func (l *GPIOLine) Function() string { return "" }

// Halt does nothing.
func (l *GPIOLine) Halt() error { return nil }

// WaitForEdge never sees one.
func (l *GPIOLine) WaitForEdge(time.Duration) bool { return false }

// Pull returns how it is pulled.
func (l *GPIOLine) Pull() gpio.Pull { return gpio.PullDown }

// DefaultPull returns how it is pulled from reset.
func (l *GPIOLine) DefaultPull() gpio.Pull { return gpio.PullDown }

// PWM is refused.
func (l *GPIOLine) PWM(gpio.Duty, physic.Frequency) error {
	return errors.New("a simulated line has no PWM")
}
