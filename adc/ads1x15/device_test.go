package ads1x15

import (
	"errors"
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

// Register values from the data sheets: SBAS444E 8.1.3 (ADS111x), SBAS473E
// (ADS101x). AIN0 against ground at ±4.096 V, 860 SPS, single shot, comparator
// off is C3E3h with the start bit.
func TestConfigWords(t *testing.T) {
	for _, c := range []struct {
		family  Family
		input   int
		rangeUV int32
		rate    int
		want    uint16
	}{
		{ADS1115, 0, 4096000, 860, 0xC3E3},
		{ADS1115, 1, 4096000, 860, 0xD3E3},
		{ADS1115, 2, 2048000, 128, 0xE583},
		{ADS1115, 3, 6144000, 8, 0xF103},
		{ADS1015, 0, 4096000, 3300, 0xC3C3},
		{ADS1015, 3, 256000, 1600, 0xFB83},
	} {
		rate, ok := c.family.rateBits(c.rate)
		full, ok2 := rangeBits(c.rangeUV)
		if got := startWord(c.input, full, rate); !ok || !ok2 || got != c.want {
			t.Errorf("%+v: %#04x", c, got)
		}
	}
}

func rig(t *testing.T, o Options, c adctest.ADS1x15Options) (*adctest.Bus, *adctest.ADS1x15, *Device) {
	t.Helper()
	bus := adctest.NewBus(adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond})
	c.Address, o.Address = 0x49, 0x49
	chip := adctest.NewADS1x15(c)
	bus.Add(chip)
	d, err := New(bus, o)
	if err != nil {
		t.Fatal(err)
	}
	return bus, chip, d
}

// Codes from the ranges' step (SBAS444E 7.3.3: 125 µV at 4.096 V; SBAS473E: 2 mV,
// left-justified by four bits).
func TestReadsVolts(t *testing.T) {
	for _, c := range []struct {
		family Family
		bits   int
		v      float64
		code   int16
		full   bool
	}{
		{ADS1115, 16, 1.0, 8000, false},
		{ADS1115, 16, -0.001, -8, false},
		{ADS1115, 16, 5, 32767, true},
		{ADS1015, 12, 1.0, 500 << 4, false},
		{ADS1015, 12, 5, 2047 << 4, true},
	} {
		for _, split := range []bool{false, true} {
			bus, _, d := rig(t, Options{Family: c.family, SplitRead: split}, adctest.ADS1x15Options{Bits: c.bits, Inputs: [4]adctest.Wave{2: adctest.Constant(c.v)}})
			if err := d.Configure(); err != nil {
				t.Fatal(err)
			}
			if err := d.Start(2); err != nil {
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
			if err != nil || r.Code != c.code || r.Saturated != c.full || r.FullScaleUV != 4096000 {
				t.Errorf("%v at %g V: %+v, %v; want code %d", c.family, c.v, r, err, c.code)
			}
		}
	}
}

// A data rate ten percent low makes a conversion a ninth longer (SBAS444E 5.5).
func TestTimingBounds(t *testing.T) {
	_, _, d := rig(t, Options{Rate: 860}, adctest.ADS1x15Options{})
	got := d.Timing()
	if least, most := time.Second/946, time.Second/774; got.Min != least || got.Max != most {
		t.Errorf("between %v and %v, want %v and %v", got.Min, got.Max, least, most)
	}
}

func TestFaultsHaveTheirClass(t *testing.T) {
	bus, chip, d := rig(t, Options{Name: "adc-2"}, adctest.ADS1x15Options{})
	if err := d.Configure(); err != nil {
		t.Fatal(err)
	}
	chip.BrownOut(bus.Now() + 1)
	if err := d.Verify(); !errors.Is(err, adc.ErrConfigLost) || adc.BlindReasonOf(err) != adc.ConfigLost {
		t.Errorf("after a brown-out: %v", err)
	}
	chip.Unplug(bus.Now() + 1)
	err := d.Start(0)
	if want := "start chip adc-2 at 0x49: no answer: sysfs-i2c: remote I/O error"; !errors.Is(err, adc.ErrNoAnswer) || err.Error() != want {
		t.Errorf("unplugged: %v, want %s", err, want)
	}
	bus.Inject = func(int, adc.Instant, uint16) adctest.Fault { return adctest.StuckBus }
	if _, err := d.Read(); !errors.Is(err, adc.ErrBusTrouble) || adc.BlindReasonOf(err) != adc.BusTrouble {
		t.Errorf("stuck bus: %v", err)
	}
}

var foreign = []*adctest.Foreign{
	{Kind: adctest.ForeignConstant, Bytes: [2]byte{0x00, 0x00}},
	{Kind: adctest.ForeignConstant, Bytes: [2]byte{0xFF, 0xFF}},
	{Kind: adctest.ForeignConstant, Bytes: [2]byte{0x80, 0x00}}, // as Lo_thresh after a reset
	{Kind: adctest.ForeignConstant, Bytes: [2]byte{0x7F, 0xFF}}, // as Hi_thresh
	{Kind: adctest.ForeignConstant, Bytes: [2]byte{0x85, 0x83}}, // as config
	{Kind: adctest.ForeignConstant, Bytes: [2]byte{0xA5, 0xC0}}, // as the signature
	{Kind: adctest.ForeignPointer},
	{Kind: adctest.ForeignBytes},
	{Kind: adctest.ForeignByte},
	{Kind: adctest.ForeignNoise},
}

func TestAnotherChipIsRefused(t *testing.T) {
	for _, f := range foreign {
		bus, _, d := rig(t, Options{}, adctest.ADS1x15Options{})
		f.Address = 0x49
		bus.Add(f)
		if err := d.Configure(); !errors.Is(err, adc.ErrWrongChip) || adc.BlindReasonOf(err) != adc.WrongChip {
			t.Errorf("kind %d %x: %v", f.Kind, f.Bytes, err)
		}
	}
}

// Wherever a brown-out meets Configure, the chip is not taken for another.
func TestBrownOutIsNoOtherChip(t *testing.T) {
	lost := 0
	for at := adc.Instant(0); at < 2_000_000; at += 1000 {
		bus, chip, d := rig(t, Options{}, adctest.ADS1x15Options{})
		chip.BrownOut(at)
		err := d.Configure()
		switch {
		case errors.Is(err, adc.ErrConfigLost):
			lost++
		case err != nil:
			t.Errorf("at %d ns: %v", at, err)
		case at < bus.Now()-2*adc.Instant(d.Timing().Wake) && d.Verify() != nil:
			lost++ // after its own register was read back: the next Verify sees it
		}
	}
	if lost < 300 {
		t.Errorf("%d brown-outs were seen", lost)
	}
}

// A bus that loses the pointer's NAK gives another register for a sample: only
// the split read notices.
func TestLostPointerNAK(t *testing.T) {
	for _, split := range []bool{false, true} {
		bus := adctest.NewBus(adctest.BusOptions{LosesPointerNAK: true})
		bus.Add(adctest.NewADS1x15(adctest.ADS1x15Options{Address: 0x48, Inputs: [4]adctest.Wave{adctest.Constant(1)}}))
		d, err := New(bus, Options{Address: 0x48, SplitRead: split})
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(d.Configure(), d.Start(0)); err != nil {
			t.Fatal(err)
		}
		bus.SleepUntil(bus.Now().Add(2 * time.Millisecond))
		bus.Inject = func(int, adc.Instant, uint16) adctest.Fault { return adctest.PointerNAK }
		r, err := d.Read()
		if split != errors.Is(err, adc.ErrNoAnswer) || !split && r.Code == 8000 {
			t.Errorf("split %t: %+v, %v", split, r, err)
		}
	}
}

func TestNewSaysWhatIsWrong(t *testing.T) {
	for _, o := range []Options{{Address: 0x50}, {Address: 0x48, Rate: 861}, {Address: 0x48, FullScaleUV: 3}} {
		if _, err := New(nil, o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
}
