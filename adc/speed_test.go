package adc_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/adc/adctest"
)

var _ adc.Transferer = i2c.Bus(nil)

func TestMeasureSpeed(t *testing.T) {
	for _, hz := range []int{50000, 100000, 250000, 400000, 1000000} {
		worst, least, most := 0.0, time.Hour, time.Duration(0)
		for seed := range uint64(200) {
			const lowest, highest = 30 * time.Microsecond, 130 * time.Microsecond
			r := newRig(t, rigOptions{chips: 1, bus: adctest.BusOptions{Hz: hz, Seed: seed, OverheadMin: lowest, OverheadMax: highest}})
			// One read in twenty fails.
			r.bus.Inject = func(n int, _ adc.Instant, _ uint16) adctest.Fault {
				if n%20 == 7 {
					return adctest.NAK
				}
				return adctest.NoFault
			}
			got, err := adc.MeasureSpeed(r.bus, r.bus, 0x48)
			if err != nil {
				t.Fatal(err)
			}
			worst = max(worst, math.Abs(got.Hz/float64(hz)-1))
			least, most = min(least, got.Overhead), max(most, got.Overhead)
			if d := r.bus.Now(); d > adc.Instant(1200*time.Millisecond) {
				t.Errorf("%d Hz: took %.3f s", hz, d.Seconds())
			}
		}
		t.Logf("%7d Hz: within %.2f %%, overhead [%v, %v] of [30µs, 130µs]", hz, 100*worst, least, most)
		if hz <= 400000 && worst > 0.03 || worst > 0.06 {
			t.Errorf("%d Hz: off by %.1f %%", hz, 100*worst)
		}
		if least < 50*time.Microsecond || most > 110*time.Microsecond {
			t.Errorf("%d Hz: overhead between %v and %v, truly 80µs", hz, least, most)
		}
	}
}

// Measuring leaves a chip as it was: its registers, its pointer, a conversion that
// runs.
func TestMeasureSpeedDisturbsNothing(t *testing.T) {
	r := newRig(t, rigOptions{chips: 1})
	d := r.devices[0]
	if err := errors.Join(d.Configure(), d.Start(2)); err != nil {
		t.Fatal(err)
	}
	if _, err := adc.MeasureSpeed(r.bus, r.bus, 0x48); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(d.Poll(), d.Verify()); err != nil { // Poll needs the pointer where Start left it
		t.Error(err)
	}
	if res, err := d.Read(); err != nil || res.Code != 4000 || r.truth[0].Input != 2 {
		t.Errorf("%+v, %v; want the 0.5 V of input 2", res, err)
	}
}

// ideal is a bus without a clock: what takes no time cannot be told from it.
type ideal struct{}

func (ideal) Tx(uint16, []byte, []byte) error { return nil }

func TestMeasureSpeedSaysWhatIsWrong(t *testing.T) {
	r := newRig(t, rigOptions{chips: 1})
	if _, err := adc.MeasureSpeed(r.bus, r.bus, 0x4B); !errors.Is(err, adc.ErrNoAnswer) || !strings.Contains(err.Error(), "0x4b") {
		t.Errorf("without a chip: %v", err)
	}
	r.bus.Inject = func(int, adc.Instant, uint16) adctest.Fault { return adctest.StuckBus }
	if _, err := adc.MeasureSpeed(r.bus, r.bus, 0x48); !errors.Is(err, adc.ErrBusTrouble) {
		t.Errorf("stuck bus: %v", err)
	}
	if d := r.bus.Now(); d > adc.Instant(3*time.Second) {
		t.Errorf("waited %.1f s for a stuck bus", d.Seconds())
	}
	if got, err := adc.MeasureSpeed(ideal{}, r.bus, 0x48); err == nil {
		t.Errorf("no bus clock: %+v", got)
	}
}
