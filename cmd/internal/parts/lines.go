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
}

// OpenLines opens every line of a bench through open: outputs low, which is off, inputs
// pulled down, so that a wire that is off forbids. Where one cannot be had, those that
// could are low again.
func OpenLines(b config.Bench, open func(chip string, offset int) (gpio.PinIO, error)) (*Lines, error) {
	l := &Lines{ReadBack: make([]gpio.PinIn, len(b.Outputs()))}
	for _, x := range b.Lines {
		line, err := open(b.Drive.Chip, x.Offset)
		if err == nil && x.IsOutput() {
			l.Outputs = append(l.Outputs, line)
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
			l.ReadBack[slices.IndexFunc(b.Outputs(), func(o config.Line) bool { return o.Name == x.Of })] = line
		}
	}
	return l, nil
}

// Close switches every output off and lets the lines go. What the kernel then does with
// an output is its own affair, so it is low before.
func (l *Lines) Close() {
	for _, line := range l.Outputs {
		_ = line.Out(gpio.Low) // the pulses have stopped: without them the supply drops
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
