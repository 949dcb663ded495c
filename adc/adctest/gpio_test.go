package adctest

import (
	"testing"

	"periph.io/x/conn/v3/gpio"
)

var _ gpio.PinIO = &GPIOLine{}

func TestLineFaults(t *testing.T) {
	var chip GPIO
	l := chip.Line(17)
	var wire []bool
	l.Wire = func(high bool) { wire = append(wire, high) }
	if bool(l.Read()) || l.High() {
		t.Error("high before anything drives it")
	}
	write := func(level gpio.Level, fault LineFault) error {
		l.Fault = fault
		return l.Out(level)
	}
	for _, c := range []struct {
		fault LineFault
		level gpio.Level
		fails bool
		wire  bool
	}{{LineSound, gpio.High, false, true}, {LineStuckLow, gpio.High, false, false}, {LineStuckHigh, gpio.Low, false, true}, {LineError, gpio.High, true, false}} {
		if err := write(c.level, c.fault); (err != nil) != c.fails || l.High() != c.wire {
			t.Errorf("%+v: %v, wire %v", c, err, l.High())
		}
	}
	if len(wire) != 3 || bool(l.Read()) {
		t.Errorf("wire %v, and a line that fails reads %v", wire, l.Read())
	}
	if err := write(gpio.High, LineSound); err != nil {
		t.Fatal(err)
	}
	l.Fault = LineGlitch
	if bool(l.Read()) || !bool(l.Read()) || chip.Line(17) != l {
		t.Error("a glitch is one wrong read")
	}
}
