package parts

import (
	"os"
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio"

	"keyturn/adc/adctest"
	"keyturn/daemon/config"
)

func drivenBench(t *testing.T) config.Bench {
	t.Helper()
	text, err := os.ReadFile("../../../testdata/benches/driven.toml")
	if err != nil {
		t.Fatal(err)
	}
	b, err := config.ParseBench(text, Families())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Lines that were high before are low once they are opened, also where one of them
// cannot be had, and low again when they are let go. The watchdog's changes only where all
// others are low.
func TestLinesOpenAndCloseLow(t *testing.T) {
	b := drivenBench(t)
	for _, broken := range []int{-1, 22, 26} { // an output, and an input
		var chip adctest.GPIO
		for _, l := range b.Outputs() {
			chip.Line(l.Offset).Put(true)
		}
		if broken >= 0 {
			chip.Line(broken).Fault = adctest.LineError
		}
		chip.Line(12).Wire = func(bool) {
			for _, l := range b.Outputs() {
				if l.Role != config.LineWatchdog && chip.Line(l.Offset).High() {
					t.Errorf("line %d broken: the watchdog's line changes while %s is high", broken, l.Name)
				}
			}
		}
		lines, err := OpenLines(b, func(_ string, offset int) (gpio.PinIO, error) { return chip.Line(offset), nil })
		if (err != nil) != (broken >= 0) || err != nil && !strings.Contains(err.Error(), "gpioinfo") {
			t.Fatalf("line %d broken: %v", broken, err)
		}
		if broken < 0 {
			if len(lines.Outputs) != 7 || lines.Stop == nil || lines.KeySwitch != nil || lines.ReadBack[2] == nil || lines.ReadBack[3] == nil || lines.ReadBack[0] != nil {
				t.Errorf("%+v", lines)
			}
			if err := lines.Outputs[0].Out(gpio.High); err != nil || !chip.Line(17).High() {
				t.Errorf("the first output is not line 17: %v", err)
			}
			chip.Line(17).Fault = adctest.LineError
			lines.Close()
			chip.Line(17).Fault = adctest.LineSound
			lines.Close()
		}
		for _, l := range b.Outputs() {
			if l.Offset == broken {
				break // the lines after it were never opened
			}
			if l.Role != config.LineWatchdog && chip.Line(l.Offset).High() {
				t.Errorf("line %d broken: %s is high", broken, l.Name)
			}
		}
	}
}

// A machine without the chip says so, and what there is.
func TestLineOfNoChip(t *testing.T) {
	if _, err := KernelLine("no-such-chip", 1); err == nil || !strings.Contains(err.Error(), "GPIO chip") {
		t.Error(err)
	}
}
