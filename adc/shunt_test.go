package adc_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/ina226"
)

// shuntRig is two converters of four leads each and a shunt monitor, lead 8, on one
// bus.
type shuntRig struct {
	*rig
	monitor *adctest.INA226
	shunt   adctest.Conversion // what its shunt register last gave
}

// taken is what the shunt register gave for a sample; Input is not 0 where the sample
// is void: converted by the chip on its own after a reset, or another register's, to
// which a reset between pointer and data leads.
func (r *shuntRig) taken() adctest.Conversion {
	x := r.shunt
	r.shunt = adctest.Conversion{Input: -1}
	return x
}

// ramp is a voltage that never stands: two windows never give the same code.
type ramp struct{}

func (ramp) Mean(from, to adc.Instant) float64 {
	return 0.01 + 0.002*float64((from+(to-from)/2)%20e9)*1e-9
}

func newShuntRig(t *testing.T, bus adctest.BusOptions, split bool, rate int, o adctest.INA226Options) *shuntRig {
	t.Helper()
	r := &shuntRig{rig: newRig(t, rigOptions{chips: 2, bus: bus, split: split})}
	o.Address = 0x40
	if o.Shunt == nil {
		o.Shunt = ramp{}
	}
	r.monitor = adctest.NewINA226(o)
	r.monitor.OnRead = func(c adctest.Conversion) { r.shunt = c }
	r.bus.Add(r.monitor)
	d, err := ina226.New(r.bus, ina226.Options{Name: "amps", Address: 0x40, Rate: rate, SplitRead: split})
	if err != nil {
		t.Fatal(err)
	}
	plans := []adc.ChipPlan{d.Plan(400000, adc.PlannedInput{Lead: 8})}
	for i, x := range r.devices {
		var inputs []adc.PlannedInput
		for k := range 4 {
			inputs = append(inputs, adc.PlannedInput{Input: k, Lead: 4*i + k})
		}
		plans = append(plans, x.Plan(400000, inputs...))
	}
	if r.scanner, err = adc.NewScanner(r.bus, plans, func(in adc.Input) { r.got(in) }); err != nil {
		t.Fatal(err)
	}
	return r
}

// A shunt monitor beside converters: no sample bears another lead's name, each window's
// true ends lie where its stamps allow, and what a brown-out spoiled is taken back; at
// every rate, over oscillators anywhere in the data sheet, any bus overhead and missing
// acknowledges.
func TestShuntMonitorBesideConverters(t *testing.T) {
	samples, others, blinds, void := 0, 0, 0, 0
	for seed := range uint64(max(60/raceFactor, 6)) {
		rng := rand.New(rand.NewPCG(seed, 0x226))
		off := 0.09 * (2*rng.Float64() - 1)
		split := seed%2 == 0
		r := newShuntRig(t, adctest.BusOptions{Seed: seed, OverheadMin: 30 * time.Microsecond, OverheadMax: 150 * time.Microsecond, LosesPointerNAK: split},
			split, ina226.Rates()[seed%3], adctest.INA226Options{Seed: seed, NoiseV: adctest.ShuntNoiseV,
				Oscillator: func(adc.Instant) float64 { return off }})
		r.bus.Inject = func(n int, _ adc.Instant, _ uint16) adctest.Fault {
			if n < 2000 || rng.IntN(2000) != 0 {
				return adctest.NoFault
			}
			if !split {
				return adctest.Fault(1 + rng.IntN(2))
			}
			return []adctest.Fault{adctest.NAK, adctest.LateNAK, adctest.PointerNAK}[rng.IntN(3)]
		}
		const length = 30 * time.Second
		for at := adc.Instant(2 * time.Second); at < adc.Instant(length-time.Second); at += adc.Instant(rng.Int64N(int64(8 * time.Second))) {
			r.monitor.BrownOut(at)
		}
		open := adc.Instant(0) // end of a sample that must be taken back
		r.got = func(in adc.Input) {
			switch {
			case in.Kind == adc.BlindInput && in.Blind.Lead == 8:
				blinds++
				if in.Blind.Since < open {
					open = 0
				}
			case in.Kind != adc.SampleInput:
			case in.Sample.Lead < 8:
				others++
				if x := r.truth[in.Sample.Lead/4]; x.Input != in.Sample.Lead%4 || x.Code != in.Sample.Code {
					t.Fatalf("seed %d: lead %d at %d got input %d of its chip", seed, in.Sample.Lead, in.At, x.Input)
				}
			default:
				s, x := &in.Sample, r.taken()
				if x.Input != 0 {
					void++
					open = s.To
					return
				}
				samples++
				early, late := x.From.Sub(s.From).Abs(), x.To.Sub(s.To).Abs()
				if x.Code != s.Code || max(early, late) > s.StampErr {
					t.Fatalf("seed %d: window [%d, %d] code %d, stamped [%d, %d] ± %v code %d", seed, x.From, x.To, x.Code, s.From, s.To, s.StampErr, s.Code)
				}
			}
		}
		r.runUntil(adc.Instant(length))
		if open != 0 {
			t.Errorf("seed %d: the void sample of %d is not taken back", seed, open)
		}
	}
	t.Logf("%d of the shunt, %d of the others; %d blind stretches, %d void samples taken back", samples, others, blinds, void)
	if samples == 0 || others < 10*samples/9 || blinds == 0 || void == 0 {
		t.Error("too little happened")
	}
}

// A monitor beside converters costs them little: they are sampled as often as without,
// but for its few transfers.
func TestShuntMonitorLeavesTheBusToOthers(t *testing.T) {
	bus := adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}
	count := func(r *rig) (n int) {
		r.runUntil(adc.Instant(3 * time.Second)) // until everything is learned
		r.got = func(in adc.Input) {
			if in.Kind == adc.SampleInput && in.Sample.Lead < 8 {
				n++
			}
		}
		r.runUntil(adc.Instant(8 * time.Second))
		return n
	}
	alone := count(newRig(t, rigOptions{chips: 2, bus: bus}))
	beside := count(newShuntRig(t, bus, false, 0, adctest.INA226Options{}).rig)
	t.Logf("%d samples alone, %d beside a monitor", alone, beside)
	if float64(beside) < 0.97*float64(alone) {
		t.Errorf("%d samples beside a monitor, %d without", beside, alone)
	}
}

// A ready flag that never comes, or comes no more, is found: the lead is blind and
// says that the chip is late, and what came since the last proof is taken back.
func TestStuckReadyFlagIsFound(t *testing.T) {
	for _, from := range []adc.Instant{0, 3e9} {
		var now func() adc.Instant
		r := newShuntRig(t, adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}, false, 0,
			adctest.INA226Options{Flag: func(ready bool) bool { return ready && now() < from }})
		now = r.bus.Now
		found, unproved := adc.Instant(0), adc.Instant(0) // its last sample that was not taken back
		r.got = func(in adc.Input) {
			switch {
			case in.Kind == adc.BlindInput && in.Blind.Lead == 8:
				if found = in.At; in.Blind.Reason != adc.LateChip {
					t.Errorf("blind: %v", in.Blind.Reason)
				}
				if in.Blind.Since <= from {
					unproved = 0
				}
			case in.Kind == adc.SampleInput && in.Sample.Lead == 8 && in.Sample.From > from:
				unproved = in.At
			}
		}
		r.runUntil(from.Add(5 * time.Second))
		t.Logf("stuck from %.0f s, found for good after %v", from.Seconds(), found.Sub(from))
		if found == 0 || unproved != 0 || found.Sub(from) > time.Second {
			t.Errorf("stuck from %d: found at %d; the sample of %d was not taken back", from, found, unproved)
		}
	}
}

// Each kind of fault, at each of the first transfers with the monitor in turn: it is
// back soon, and what a reset spoiled is taken back.
func TestFaultAtEveryTransferOfTheMonitor(t *testing.T) {
	for _, x := range []struct {
		name  string
		fault adctest.Fault
		chip  func(*adctest.INA226, adc.Instant) (over adc.Instant)
	}{
		{"NAK", adctest.NAK, nil}, {"late NAK", adctest.LateNAK, nil}, {"pointer NAK", adctest.PointerNAK, nil},
		{"brown-out", adctest.NoFault, func(c *adctest.INA226, at adc.Instant) adc.Instant { c.BrownOut(at); return at }},
		{"unplugged and back", adctest.NoFault, func(c *adctest.INA226, at adc.Instant) adc.Instant {
			back := at.Add(30 * time.Millisecond)
			c.Unplug(at)
			c.Plug(back)
			return back
		}},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			slowest := time.Duration(0)
			for n := 0; n < 250; n += raceFactor | 1 {
				r := newShuntRig(t, adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}, false, 909, adctest.INA226Options{})
				ended, void, back, k := never, adc.Instant(0), adc.Instant(0), 0
				r.bus.Inject = func(_ int, at adc.Instant, addr uint16) adctest.Fault {
					if addr != 0x40 {
						return adctest.NoFault
					}
					if k++; k != n+1 {
						return adctest.NoFault
					}
					if ended = at; x.chip != nil {
						ended = x.chip(r.monitor, at.Add(time.Duration(n*7919%400)*time.Microsecond))
					}
					return x.fault
				}
				r.got = func(in adc.Input) {
					switch {
					case in.Kind == adc.BlindInput && in.Blind.Lead == 8 && in.Blind.Since < void:
						void = 0
					case in.Kind == adc.SampleInput && in.Sample.Lead == 8:
						if x := r.taken(); x.Input != 0 {
							void = in.Sample.To
						} else if x.Code != in.Sample.Code {
							t.Errorf("transfer %d: another value at %d", n, in.At)
						} else if back == 0 && in.Sample.From >= ended {
							back = in.At
						}
					}
				}
				for ended == never {
					r.scanner.Step()
				}
				r.runUntil(ended.Add(time.Second))
				if void != 0 || back == 0 {
					t.Errorf("transfer %d: void sample of %d, back at %d", n, void, back)
				}
				slowest = max(slowest, back.Sub(ended))
			}
			t.Logf("slowest recovery %v", slowest)
			if slowest > 300*time.Millisecond {
				t.Errorf("back after %v", slowest)
			}
		})
	}
}
