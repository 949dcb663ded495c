package adc_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/ads1x15"
)

// rig is a bus of chips of four leads each, and a scanner on it.
type rig struct {
	bus     *adctest.Bus
	chips   []*adctest.ADS1x15
	devices []*ads1x15.Device
	scanner *adc.Scanner
	truth   []adctest.Conversion // per chip: what its conversion register last gave
	got     func(adc.Input)
}

type rigOptions struct {
	chips      int
	inputs     int // per chip; zero means 4
	continuous int // so many of the chips serve their first input only, without a pause
	bus        adctest.BusOptions
	oscillator func(chip int) func(adc.Instant) float64
	noise      bool
	split      bool
	family     ads1x15.Family
	wave       func(chip, input int) adctest.Wave
}

func newRig(t testing.TB, o rigOptions) *rig {
	t.Helper()
	if o.inputs == 0 {
		o.inputs = 4
	}
	r := &rig{bus: adctest.NewBus(o.bus), truth: make([]adctest.Conversion, o.chips), got: func(adc.Input) {}}
	var plans []adc.ChipPlan
	for i := range o.chips {
		c := adctest.ADS1x15Options{Address: 0x48 + uint16(i), Seed: o.bus.Seed + uint64(i)}
		if o.family == ads1x15.ADS1015 {
			c.Bits = 12
		}
		if o.oscillator != nil {
			c.Oscillator = o.oscillator(i)
		}
		if o.noise {
			c.NoiseV = adctest.DataSheetNoiseV
		}
		var inputs []adc.PlannedInput
		for k := range o.inputs {
			// Each input its own voltage, so that a value tells where it is from.
			c.Inputs[k] = adctest.Constant(0.1 + 0.2*float64(4*i+k))
			if o.wave != nil {
				c.Inputs[k] = o.wave(i, k)
			}
			inputs = append(inputs, adc.PlannedInput{Input: k, Lead: o.inputs*i + k})
		}
		chip := adctest.NewADS1x15(c)
		chip.OnRead = func(x adctest.Conversion) { r.truth[i] = x }
		r.bus.Add(chip)
		r.chips = append(r.chips, chip)
		d, err := ads1x15.New(r.bus, ads1x15.Options{Name: "adc", Family: o.family, Address: c.Address, SplitRead: o.split})
		if err != nil {
			t.Fatal(err)
		}
		r.devices = append(r.devices, d)
		plan := d.Plan(400000, inputs...)
		if i < o.continuous {
			plan.Inputs, plan.Continuous = inputs[:1], true
		}
		plans = append(plans, plan)
	}
	var err error
	if r.scanner, err = adc.NewScanner(r.bus, plans, func(in adc.Input) { r.got(in) }); err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *rig) runUntil(t adc.Instant) {
	for r.bus.Now() < t {
		r.scanner.Step()
	}
}

// anyOscillator is somewhere in the data sheet and drifts there slowly.
func anyOscillator(rng *rand.Rand) func(int) func(adc.Instant) float64 {
	return func(int) func(adc.Instant) float64 {
		base := 0.095 * (2*rng.Float64() - 1)
		phase := 2 * math.Pi * rng.Float64()
		return func(t adc.Instant) float64 { return base + 0.004*math.Sin(phase+2*math.Pi*t.Seconds()/60) }
	}
}

// No delivered sample ever bears another lead's name, and each window's true
// ends lie where its stamps allow, over oscillators anywhere in the data sheet
// and drifting, any bus overhead, missing acknowledges and brown-outs.
func TestNoSampleBearsAnotherLeadsName(t *testing.T) {
	const want = 10_000_000 / raceFactor
	conversions, samples, blinds, void := 0, 0, 0, 0
	widest := time.Duration(0)
	for seed := uint64(1); conversions < want; seed++ {
		rng := rand.New(rand.NewPCG(seed, 6))
		r := newRig(t, rigOptions{
			chips: 4, split: seed%4 == 0, oscillator: anyOscillator(rng),
			bus: adctest.BusOptions{Seed: seed, OverheadMin: 30 * time.Microsecond, OverheadMax: 300 * time.Microsecond,
				LosesPointerNAK: seed%4 == 0},
		})
		r.bus.Inject = func(n int, _ adc.Instant, _ uint16) adctest.Fault {
			if n < 1000 || rng.IntN(3000) != 0 {
				return adctest.NoFault
			}
			if seed%4 != 0 {
				return adctest.Fault(1 + rng.IntN(2))
			}
			return []adctest.Fault{adctest.NAK, adctest.LateNAK, adctest.PointerNAK}[rng.IntN(3)]
		}
		const length = 60 * time.Second
		for i := range r.chips {
			for at := adc.Instant(time.Second); at < adc.Instant(length); at += adc.Instant(rng.Int64N(int64(5 * time.Second))) {
				r.chips[i].BrownOut(at)
			}
		}
		r.got = func(in adc.Input) {
			switch in.Kind {
			case adc.SampleInput:
				samples++
				x := r.truth[in.Sample.Lead/4]
				if x.Input == -1 && in.Sample.Code == 0 {
					void++ // lost in a brown-out; a Blind takes it back
					return
				}
				if x.Input != in.Sample.Lead%4 || x.Code != in.Sample.Code {
					t.Fatalf("seed %d: lead %d at %d got input %d of its chip", seed, in.Sample.Lead, in.At, x.Input)
				}
				early, late := x.From.Sub(in.Sample.From).Abs(), x.To.Sub(in.Sample.To).Abs()
				if worst := max(early, late); worst > in.Sample.StampErr {
					t.Fatalf("seed %d: window [%d, %d], stamped [%d, %d] ± %v", seed, x.From, x.To, in.Sample.From, in.Sample.To, in.Sample.StampErr)
				}
				widest = max(widest, in.Sample.StampErr)
			case adc.BlindInput:
				blinds++
			}
		}
		r.runUntil(adc.Instant(length))
		for _, c := range r.chips {
			conversions += c.Conversions
		}
	}
	t.Logf("%d conversions, %d samples, %d blind stretches, %d samples lost in brown-outs; widest stamp ± %v",
		conversions, samples, blinds, void, widest)
	if samples < conversions*8/10 || blinds == 0 || void == 0 {
		t.Errorf("too little happened")
	}
}

// A sample lost in a brown-out is taken back by a Blind that reaches beyond it.
func TestBrownOutIsTakenBack(t *testing.T) {
	r := newRig(t, rigOptions{chips: 2, bus: adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}})
	at := adc.Instant(1234567 * time.Microsecond)
	r.chips[0].BrownOut(at)
	open := map[int]adc.Instant{} // zeros not taken back yet
	r.got = func(in adc.Input) {
		switch in.Kind {
		case adc.SampleInput:
			if in.Sample.Code == 0 {
				open[in.Sample.Lead] = in.At
			}
		case adc.BlindInput:
			if in.Blind.Reason != adc.ConfigLost {
				t.Errorf("reason %v", in.Blind.Reason)
			}
			if z, ok := open[in.Blind.Lead]; ok && in.Blind.Since < z {
				delete(open, in.Blind.Lead)
			}
			if late := in.At.Sub(at); late > 150*time.Millisecond {
				t.Errorf("found after %v", late)
			}
		}
	}
	r.runUntil(at.Add(time.Second))
	if len(open) != 0 {
		t.Errorf("not taken back: %v", open)
	}
}

// A chip that becomes slower than its data sheet is found within 0.2 s, and its
// leads are blind since the last good verification.
func TestSlowChipIsFound(t *testing.T) {
	for seed := range uint64(50) {
		rng := rand.New(rand.NewPCG(seed, 8))
		slowAt := adc.Instant(time.Second).Add(time.Duration(rng.IntN(200)) * time.Millisecond)
		by := 0.25 + 0.5*rng.Float64()
		r := newRig(t, rigOptions{
			chips: 4,
			bus: adctest.BusOptions{Seed: seed, OverheadMin: 30 * time.Microsecond,
				OverheadMax: 30*time.Microsecond + time.Duration(rng.IntN(270))*time.Microsecond},
			oscillator: func(chip int) func(adc.Instant) float64 {
				return func(at adc.Instant) float64 {
					if chip == 1 && at >= slowAt {
						return -by
					}
					return 0
				}
			},
		})
		found := adc.Instant(0)
		var wrong []adc.Instant // samples under another lead's name, not taken back
		r.got = func(in adc.Input) {
			switch in.Kind {
			case adc.SampleInput:
				if in.Sample.Lead/4 == 1 && r.truth[1].Input != in.Sample.Lead%4 {
					wrong = append(wrong, in.At)
				}
			case adc.BlindInput:
				if in.Blind.Lead/4 != 1 || in.Blind.Reason != adc.LateChip {
					t.Errorf("seed %d: lead %d blind: %v", seed, in.Blind.Lead, in.Blind.Reason)
				}
				if found == 0 {
					found = in.At
				}
				for len(wrong) > 0 && wrong[len(wrong)-1] > in.Blind.Since {
					wrong = wrong[:len(wrong)-1]
				}
			}
		}
		r.runUntil(slowAt.Add(time.Second))
		if found == 0 || found.Sub(slowAt) > 200*time.Millisecond {
			t.Errorf("seed %d: slower by %.0f %% found after %v", seed, 100*by, found.Sub(slowAt))
		}
		if len(wrong) > 0 {
			t.Errorf("seed %d: %d samples bear another lead's name for good", seed, len(wrong))
		}
	}
}

// An unplugged chip's leads go blind, the others' intervals stay, and it comes
// back within 300 ms of being plugged in.
func TestUnplugAndPlug(t *testing.T) {
	r := newRig(t, rigOptions{chips: 4, bus: adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}})
	off, on := adc.Instant(time.Second), adc.Instant(3*time.Second)
	r.chips[2].Unplug(off)
	r.chips[2].Plug(on)
	blind := map[int]bool{}
	var back adc.Instant
	counts := [2]int{} // samples of lead 0 in a second with and without the chip
	r.got = func(in adc.Input) {
		switch {
		case in.Kind == adc.BlindInput:
			blind[in.Blind.Lead] = true
		case in.Kind == adc.SampleInput && in.Sample.Lead/4 == 2:
			if in.At > off.Add(2*time.Millisecond) && in.At < on {
				t.Errorf("lead %d sampled at %v without its chip", in.Sample.Lead, in.At.Seconds())
			}
			if in.At >= on && back == 0 {
				back = in.At
			}
		case in.Kind == adc.SampleInput && in.Sample.Lead == 0:
			if in.At < off && in.At > adc.Instant(200*time.Millisecond) {
				counts[0]++
			} else if in.At > off && in.At < off.Add(800*time.Millisecond) {
				counts[1]++
			}
		}
	}
	r.runUntil(on.Add(time.Second))
	if len(blind) != 4 {
		t.Errorf("blind leads: %v, want the four of the chip", blind)
	}
	if back == 0 || back.Sub(on) > 300*time.Millisecond {
		t.Errorf("back after %v", back.Sub(on))
	}
	if d := math.Abs(float64(counts[1]-counts[0])) / float64(counts[0]); d > 0.05 {
		t.Errorf("other chips' samples in 0.8 s: %d before, %d while it was off", counts[0], counts[1])
	}
}

func TestScannerAllocatesNothingPerSample(t *testing.T) {
	r := newRig(t, rigOptions{chips: 4, noise: true, bus: adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}})
	r.runUntil(adc.Instant(time.Second))
	if n := testing.AllocsPerRun(5000, r.scanner.Step); n != 0 {
		t.Errorf("%g allocations a step", n)
	}
}

// intervals watches the achieved intervals of a rig's leads.
type intervals struct {
	last    map[int]adc.Instant
	sum     map[int]time.Duration
	n       map[int]int
	longest time.Duration
}

func watchIntervals(r *rig) *intervals {
	w := &intervals{map[int]adc.Instant{}, map[int]time.Duration{}, map[int]int{}, 0}
	r.got = func(in adc.Input) {
		if in.Kind != adc.SampleInput {
			return
		}
		k := in.Sample.Lead
		if last, ok := w.last[k]; ok {
			d := in.At.Sub(last)
			w.sum[k] += d
			w.n[k]++
			w.longest = max(w.longest, d)
		}
		w.last[k] = in.At
	}
	return w
}

// worst returns the longest mean interval of a lead.
func (w *intervals) worst() time.Duration {
	var worst time.Duration
	for k := range w.sum {
		worst = max(worst, w.sum[k]/time.Duration(w.n[k]))
	}
	return worst
}

// referencePeriod is adc.ReferencePeriod at 400 kHz and 50 µs a transaction.
func referencePeriod(d *ads1x15.Device, chips, inputs int) time.Duration {
	clocks, transactions := d.ReadClocks()
	transfers := time.Duration(d.StartClocks()+clocks)*2500*time.Nanosecond + time.Duration(1+transactions)*50*time.Microsecond
	return adc.ReferencePeriod(chips, inputs, d.Timing(), transfers)
}

// sequential is the peer: one chip after the other, start, sleep for the longest
// conversion, read, with an exact sleep. It returns the interval of a lead.
func sequential(t testing.TB, o rigOptions) time.Duration {
	r := newRig(t, o)
	for _, d := range r.devices {
		if err := d.Configure(); err != nil {
			t.Fatal(err)
		}
	}
	const scans = 100
	begin := r.bus.Now()
	for range scans {
		for _, d := range r.devices {
			for input := range 4 {
				if err := d.Start(input); err != nil {
					t.Fatal(err)
				}
				r.bus.SleepUntil(r.bus.Now().Add(d.Timing().Wake + d.Timing().Max))
				if _, err := d.Read(); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	return r.bus.Now().Sub(begin) / scans
}

func scanOptions(chips int) rigOptions {
	return rigOptions{chips: chips, noise: true, bus: adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}}
}

// The figures of BenchmarkScan hold: they are of virtual time, so the same on
// every machine.
func TestScanKeepsToItsBound(t *testing.T) {
	for _, chips := range []int{1, 2, 4} {
		r := newRig(t, scanOptions(chips))
		r.runUntil(adc.Instant(time.Second))
		w := watchIntervals(r)
		r.runUntil(adc.Instant(20 * time.Second))
		ref := referencePeriod(r.devices[0], chips, 4)
		ratio := float64(ref) / float64(w.worst())
		longest := float64(w.longest) / float64(ref)
		peer := float64(sequential(t, scanOptions(chips))) / float64(w.worst())
		t.Logf("%d chips: T %v, worst mean interval %v, bound-ratio %.3f, longest-interval %.3f, vs-sequential %.2f",
			chips, ref, w.worst(), ratio, longest, peer)
		if ratio < 0.90 || longest > 1.5 || (chips == 4 && peer < 4) {
			t.Errorf("%d chips: out of bounds", chips)
		}
	}
}

func BenchmarkScan(b *testing.B) {
	for _, chips := range []int{1, 2, 4} {
		b.Run(map[int]string{1: "1-chip", 2: "2-chips", 4: "4-chips"}[chips], func(b *testing.B) {
			r := newRig(b, scanOptions(chips))
			r.runUntil(adc.Instant(time.Second))
			w := watchIntervals(r)
			b.ReportAllocs()
			for b.Loop() {
				r.scanner.Step()
			}
			ref := referencePeriod(r.devices[0], chips, 4)
			b.ReportMetric(float64(ref)/float64(w.worst()), "bound-ratio")
			b.ReportMetric(float64(w.longest)/float64(ref), "longest-interval")
			b.ReportMetric(float64(sequential(b, scanOptions(chips)))/float64(w.worst()), "vs-sequential")
		})
	}
}
