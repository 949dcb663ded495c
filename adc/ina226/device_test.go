package ina226

import (
	"errors"
	"math"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/adc/adctest"
)

var (
	_ adc.Chip = (*Device)(nil)
	_ i2c.Bus  = (*adctest.Bus)(nil)
)

func rig(t *testing.T, o Options, c adctest.INA226Options) (*adctest.Bus, *adctest.INA226, *Device) {
	t.Helper()
	bus := adctest.NewBus(adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond})
	c.Address, o.Address = 0x44, 0x44
	chip := adctest.NewINA226(c)
	bus.Add(chip)
	d, err := New(bus, o)
	if err != nil {
		t.Fatal(err)
	}
	return bus, chip, d
}

// Config words from the bits of the data sheet (values from memory): averages of 16,
// 4 and 1, both conversion times 1.1 ms in the reset value 4127h, of which mode and
// averages are told apart here.
func TestConfigWords(t *testing.T) {
	for _, c := range []struct {
		rate int
		mode uint16
		want uint16
	}{
		{909, modeShunt, 0x4021}, {227, modeShunt, 0x4221}, {56, modeShunt, 0x4421}, {56, modeOff, 0x4420},
	} {
		for _, a := range averages() {
			if got := configWord(a, c.mode); a.rate == c.rate && got != c.want {
				t.Errorf("%+v: %#04x", c, got)
			}
		}
	}
	for _, a := range averages() {
		period := time.Duration(a.conversions) * convert
		if got := int(time.Second / period); got != a.rate {
			t.Errorf("%d conversions of %v are %d a second, not %d", a.conversions, convert, got, a.rate)
		}
	}
}

// The data sheet's worked examples (SBOS547, values from memory): 10 A through 2 mΩ
// are 20 mV and read 1F40h; -80 mV reads 8300h; the scale ends at 81.92 mV.
func TestReadsShuntVolts(t *testing.T) {
	for _, c := range []struct {
		v    float64
		code uint16
		full bool
	}{
		{10 * 2e-3, 0x1F40, false},
		{-80e-3, 0x8300, false},
		{50e-3 * 10e-3, 200, false}, // 50 mA through 10 mΩ: 0.5 mV
		{0.1, 0x7FFF, true},
		{-0.1, 0x8000, true},
	} {
		for _, split := range []bool{false, true} {
			for _, rate := range Rates() {
				bus, _, d := rig(t, Options{Rate: rate, SplitRead: split}, adctest.INA226Options{Shunt: adctest.Constant(c.v)})
				if err := errors.Join(d.Configure(), d.Start(0)); err != nil {
					t.Fatal(err)
				}
				if busy, err := d.Busy(); !busy || err != nil {
					t.Errorf("right after the start: busy %t, %v", busy, err)
				}
				if err := d.Poll(); !errors.Is(err, adc.ErrLate) {
					t.Errorf("polled too early: %v", err)
				}
				bus.SleepUntil(bus.Now().Add(d.Timing().Wake + d.Timing().Max))
				if err := errors.Join(d.Poll(), d.Verify()); err != nil {
					t.Error(err)
				}
				r, err := d.Read()
				if err != nil || uint16(r.Code) != c.code || r.Saturated != c.full {
					t.Errorf("%g V: %+v, %v; want code %#04x", c.v, r, err, c.code)
				}
				s := adc.Sample{Code: r.Code, FullScaleUV: r.FullScaleUV}
				if !c.full && math.Abs(s.PinV()-c.v) > 1e-9 {
					t.Errorf("%g V is read as %g", c.v, s.PinV())
				}
			}
		}
	}
}

// Typical and longest conversion times are the data sheet's: 1.1 and 1.21 ms.
func TestTimingBounds(t *testing.T) {
	_, _, d := rig(t, Options{Rate: 909}, adctest.INA226Options{})
	if got := d.Timing(); got.Nominal != 1100*time.Microsecond || got.Max != 1210*time.Microsecond || got.Min != 990*time.Microsecond {
		t.Errorf("%+v", got)
	}
}

// A start while a conversion runs begins anew, unlike with an ADS1x15: the result is
// of the later window.
func TestStartBeginsAnew(t *testing.T) {
	bus, chip, d := rig(t, Options{}, adctest.INA226Options{})
	var got adctest.Conversion
	chip.OnRead = func(c adctest.Conversion) { got = c }
	if err := errors.Join(d.Configure(), d.Start(0)); err != nil {
		t.Fatal(err)
	}
	bus.SleepUntil(bus.Now().Add(10 * time.Millisecond))
	again := bus.Now()
	if err := d.Start(0); err != nil {
		t.Fatal(err)
	}
	bus.SleepUntil(again.Add(12 * time.Millisecond)) // 22 ms after the first
	if busy, err := d.Busy(); !busy || err != nil {
		t.Errorf("busy %t, %v", busy, err)
	}
	bus.SleepUntil(again.Add(20 * time.Millisecond))
	if _, err := d.Read(); err != nil || got.From < again {
		t.Errorf("the result is of [%d, %d], the start at %d; %v", got.From, got.To, again, err)
	}
}

func TestFaultsHaveTheirClass(t *testing.T) {
	bus, chip, d := rig(t, Options{Name: "amps"}, adctest.INA226Options{})
	if err := errors.Join(d.Configure(), d.Start(0)); err != nil {
		t.Fatal(err)
	}
	chip.BrownOut(bus.Now() + 1)
	bus.SleepUntil(bus.Now().Add(30 * time.Millisecond))
	// It converts by itself now and is ready: only the mark tells.
	for what, err := range map[string]error{"poll": d.Poll(), "verify": d.Verify()} {
		if !errors.Is(err, adc.ErrConfigLost) || adc.BlindReasonOf(err) != adc.ConfigLost {
			t.Errorf("%s after a brown-out: %v", what, err)
		}
	}
	chip.Unplug(bus.Now() + 1)
	err := d.Start(0)
	if want := "start chip amps at 0x44: no answer: sysfs-i2c: remote I/O error"; !errors.Is(err, adc.ErrNoAnswer) || err.Error() != want {
		t.Errorf("unplugged: %v, want %s", err, want)
	}
	bus.Inject = func(int, adc.Instant, uint16) adctest.Fault { return adctest.StuckBus }
	if _, err := d.Read(); !errors.Is(err, adc.ErrBusTrouble) {
		t.Errorf("stuck bus: %v", err)
	}
}

// What answers and is no such chip, or one whose ready flag tells nothing, is refused.
func TestAnotherChipIsRefused(t *testing.T) {
	for _, f := range []*adctest.Foreign{
		{Kind: adctest.ForeignConstant, Bytes: [2]byte{0x41, 0x27}}, // as config after a reset
		{Kind: adctest.ForeignConstant, Bytes: [2]byte{0xFF, 0xFF}},
		{Kind: adctest.ForeignConstant, Bytes: [2]byte{0xA5, 0xC0}}, // as the signature
		{Kind: adctest.ForeignPointer}, {Kind: adctest.ForeignBytes}, {Kind: adctest.ForeignByte},
		{Kind: adctest.ForeignWords}, {Kind: adctest.ForeignNoise},
	} {
		bus, _, d := rig(t, Options{}, adctest.INA226Options{})
		f.Address = 0x44
		bus.Add(f)
		if err := d.Configure(); !errors.Is(err, adc.ErrWrongChip) {
			t.Errorf("kind %d %x: %v", f.Kind, f.Bytes, err)
		}
	}
	for name, o := range map[string]adctest.INA226Options{
		"another die": {Die: 0x3221},
		"flag stuck":  {Flag: func(bool) bool { return true }},
	} {
		if _, _, d := rig(t, Options{}, o); !errors.Is(d.Configure(), adc.ErrWrongChip) {
			t.Errorf("%s is taken", name)
		}
	}
}

// Wherever a brown-out meets Configure, the chip is not taken for another.
func TestBrownOutIsNoOtherChip(t *testing.T) {
	lost := 0
	for at := adc.Instant(0); at < 3_000_000; at += 1000 {
		bus, chip, d := rig(t, Options{}, adctest.INA226Options{})
		chip.BrownOut(at)
		err := d.Configure()
		switch {
		case errors.Is(err, adc.ErrConfigLost):
			lost++
		case err != nil:
			t.Errorf("at %d ns: %v", at, err)
		case at < bus.Now() && d.Verify() != nil:
			lost++ // after its own register was read back: the next Verify sees it
		}
	}
	if lost < 300 {
		t.Errorf("%d brown-outs were seen", lost)
	}
}

func TestNewSaysWhatIsWrong(t *testing.T) {
	for _, o := range []Options{{Address: 0x50}, {Address: 0x40, Rate: 57}} {
		if _, err := New(nil, o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
	_, _, d := rig(t, Options{}, adctest.INA226Options{})
	if err := d.Start(1); err == nil {
		t.Error("an input that it does not have is started")
	}
}
