package parts

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/host/v3/gpioioctl"

	"keyturn/daemon/config"
)

// Lines are the GPIO lines of a bench, opened. High is on, and high permits.
type Lines struct {
	// Outputs and ReadBack are in the order of config.Bench.Outputs; a read-back is nil
	// where there is none.
	Outputs  []gpio.PinOut
	ReadBack []gpio.PinIn
	Stop     gpio.PinIn
	// KeySwitch is nil where a confirmation is typed.
	KeySwitch gpio.PinIn

	watchdog int // its output
}

// OpenLines opens every line of a bench through open: outputs low, which is off, inputs
// pulled down, so that a wire that is off forbids. A program that was killed leaves its
// lines as they were, and one change of the watchdog's would hold their supply once more:
// so that is opened last, when all others are low. Where one cannot be had, those that
// could are low again.
func OpenLines(b config.Bench, open func(chip string, offset int) (gpio.PinIO, error)) (*Lines, error) {
	outputs := b.Outputs()
	isWatchdog := func(x config.Line) bool { return x.Role == config.LineWatchdog }
	number := func(name string) int {
		return slices.IndexFunc(outputs, func(o config.Line) bool { return o.Name == name })
	}
	l := &Lines{Outputs: make([]gpio.PinOut, len(outputs)), ReadBack: make([]gpio.PinIn, len(outputs)),
		watchdog: slices.IndexFunc(outputs, isWatchdog)}
	lines := slices.DeleteFunc(slices.Clone(b.Lines), isWatchdog)
	lines = append(lines, outputs[l.watchdog])
	for _, x := range lines {
		line, err := open(b.Drive.Chip, x.Offset)
		if err == nil && x.IsOutput() {
			l.Outputs[number(x.Name)] = line
			err = line.Out(gpio.Low)
		} else if err == nil {
			err = line.In(gpio.PullDown, gpio.NoEdge)
		}
		if err != nil {
			l.Close()
			return nil, fmt.Errorf("line %s, offset %d of %s: %w; another program may have it: gpioinfo tells", x.Name, x.Offset, b.Drive.Chip, err)
		}
		switch x.Role {
		case config.LineEmergencyStop:
			l.Stop = line
		case config.LineKeySwitch:
			l.KeySwitch = line
		case config.LineReadBack:
			l.ReadBack[number(x.Of)] = line
		}
	}
	return l, nil
}

// Close switches every output off and lets the lines go. What the kernel then does with
// an output is its own affair, so it is low before.
func (l *Lines) Close() {
	low := true
	for i, line := range l.Outputs {
		if line != nil && i != l.watchdog {
			low = line.Out(gpio.Low) == nil && low // else the supply drops, for the pulses have stopped
		}
	}
	if line := l.Outputs[l.watchdog]; line != nil && low {
		_ = line.Out(gpio.Low) // it holds nothing by itself
	}
	for _, line := range l.Outputs {
		if x, ok := line.(interface{ Close() }); ok {
			x.Close()
		}
	}
}

// KernelLine is a line of a GPIO chip of the kernel, named by its label or name. Only
// drivers that this program names are set up, never those of whole boards.
func KernelLine(chip string, offset int) (gpio.PinIO, error) {
	if _, err := driverreg.Init(); err != nil {
		return nil, fmt.Errorf("set up the GPIO driver: %w", err)
	}
	var names []string
	for _, c := range gpioioctl.Chips {
		names = append(names, c.Label())
		if c.Label() != chip && c.Name() != chip {
			continue
		}
		if line := c.ByNumber(offset); line != nil {
			return line, nil
		}
		return nil, fmt.Errorf("the chip has %d lines", c.LineCount())
	}
	if len(names) == 0 {
		return nil, errors.New("no GPIO chip can be opened: use sudo, or a machine that has one")
	}
	return nil, fmt.Errorf("no such GPIO chip; there are %s", strings.Join(names, ", "))
}
