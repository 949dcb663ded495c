package measure_test

import (
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/ads1x15"
	"keyturn/adc/vehicle"
	"keyturn/daemon/measure"
)

// Whatever befalls the bus and its chips, slots that stand still do not move: the
// engine may find a lead unknown, but no lead goes live or dead, no start is seen,
// and once all is over every lead is what it was.

// steady is a bench of a battery sense lead and 15 slots, every third dead.
func steady(t testing.TB, seed uint64, host adctest.BusOptions) *bench {
	t.Helper()
	p, waves := sixteen(1400*time.Microsecond, 0.001, func() *vehicle.Wave {
		return vehicle.NewPolyline([]vehicle.Point{{At: 0, V: 12.6}}, 1.4e6)
	})
	for i := 2; i < len(waves); i += 3 {
		waves[i] = adctest.Constant(0)
	}
	return newBenchOn(t, seed, host, 0, p, waves, func(adc.Input) {})
}

// stoodStill checks a bench of steady leads once all is over, and returns how
// many faults it told.
func (b *bench) stoodStill(t *testing.T, what string, at int) (told int) {
	t.Helper()
	var state [16]measure.State
	for _, e := range append(b.events, b.engine.Flush()...) {
		switch e := e.(type) {
		case *measure.StateChanged:
			state[e.Lead] = e.State
		case *measure.Faulted:
			told++
		case *measure.Transition, *measure.TransitionWithdrawn, *measure.Crank, *measure.KeyMoved:
			t.Errorf("%s %d: %+v", what, at, e)
		}
	}
	for lead, s := range state {
		if want := [...]measure.State{measure.Live, measure.Live, measure.Dead}[lead%3]; s != want {
			t.Errorf("%s %d: lead %d ends %s, want %s", what, at, lead, s, want)
		}
	}
	return told
}

func TestFaultAtEveryTransactionMovesNothing(t *testing.T) {
	for _, x := range []struct {
		name  string
		fault adctest.Fault
		lost  bool // the pointer's NAK
		chip  func(*adctest.ADS1x15, adc.Instant)
	}{
		{name: "NAK", fault: adctest.NAK},
		{name: "late NAK", fault: adctest.LateNAK},
		{name: "stuck bus", fault: adctest.StuckBus},
		{name: "pointer NAK", fault: adctest.PointerNAK},
		{name: "pointer NAK lost", fault: adctest.PointerNAK, lost: true},
		{name: "brown-out", chip: func(c *adctest.ADS1x15, at adc.Instant) { c.BrownOut(at) }},
		{name: "unplugged and back", chip: func(c *adctest.ADS1x15, at adc.Instant) {
			c.Unplug(at)
			c.Plug(at.Add(130 * time.Millisecond))
		}},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			for n := 0; n < chaosTransactions; n += chaosStride {
				host := knownHost
				host.LosesPointerNAK = x.lost
				b := steady(t, 1, host)
				over := adc.Instant(0)
				b.bus.Inject = func(i int, at adc.Instant, addr uint16) adctest.Fault {
					if i != n {
						return adctest.NoFault
					}
					over = at.Add(350 * time.Millisecond)
					if x.chip != nil {
						x.chip(b.chips[addr-0x48], at.Add(time.Duration(n*7919%400)*time.Microsecond))
						over = at.Add(480 * time.Millisecond)
					} else if x.fault == adctest.StuckBus {
						over = over.Add(adctest.StuckFor)
					}
					return x.fault
				}
				for over == 0 || b.bus.Now() < over {
					b.scanner.Step()
				}
				b.merge.Flush()
				b.stoodStill(t, "transaction", n)
			}
		})
	}
}

// Storms on the bus of a bench that has been running for a while.
func TestStormsMoveNothing(t *testing.T) {
	told, most := 0, 0
	for seed := range uint64(chaosStorms) {
		rng := rand.New(rand.NewPCG(seed, 0x570))
		b := steady(t, seed, adctest.BusOptions{LosesPointerNAK: seed%3 == 0, OverheadMin: 30 * time.Microsecond, OverheadMax: 130 * time.Microsecond})
		b.runUntil(adc.Instant(300 * time.Millisecond))
		b.runUntil(b.bus.Storm(rng, b.chips))
		b.runUntil(b.bus.Now().Add(400 * time.Millisecond))
		b.merge.Flush()
		n := b.stoodStill(t, "storm", int(seed))
		told += n
		most = max(most, n)
	}
	if told == 0 {
		t.Error("no storm")
	}
	t.Logf("%d storms, %d faults told, at most %d in one", chaosStorms, told, most)
}

// Trouble that goes on for half a minute on the battery's chip and another is told
// at once, then every ten seconds with its count, and at the end; and equal inputs
// give equal events.
func TestTroubleIsToldSeldom(t *testing.T) {
	run := func() *bench {
		b := steady(t, 1, knownHost)
		rng := rand.New(rand.NewPCG(1, 0xf))
		b.bus.Inject = func(_ int, _ adc.Instant, addr uint16) adctest.Fault {
			if addr < 0x4A && rng.IntN(20) == 0 {
				return adctest.NAK
			}
			return adctest.NoFault
		}
		for _, c := range b.chips[:2] {
			for at := adc.Instant(time.Second); at < adc.Instant(33*time.Second); at = at.Add(time.Duration(20+rng.IntN(100)) * time.Millisecond) {
				c.BrownOut(at)
			}
		}
		b.runUntil(adc.Instant(35 * time.Second))
		b.merge.Flush()
		b.events = append(b.events, b.engine.Flush()...)
		return b
	}
	type kind struct {
		lead   int
		reason string
	}
	b := run()
	told, counts := map[kind][]adc.Instant{}, map[kind]int{}
	refused := map[int]int{}
	for _, e := range b.events {
		if f, ok := e.(*measure.Faulted); ok {
			k := kind{f.Lead, f.Reason}
			told[k] = append(told[k], f.At)
			if counts[k] += f.Count; !strings.HasPrefix(f.Reason, "battery sense lead") {
				refused[f.Lead] += f.Count
			}
		}
	}
	many := 0
	for k, at := range told { // each is checked by itself
		if len(at) > 5 {
			t.Errorf("lead %d, %s: told %d times in 35 s", k.lead, k.reason, len(at))
		}
		for i := 1; i < len(at)-1; i++ {
			if d := at[i].Sub(at[i-1]); d < 10*time.Second {
				t.Errorf("lead %d, %s: told again after %v", k.lead, k.reason, d)
			}
		}
		many = max(many, counts[k])
	}
	for lead := range 16 {
		if got := b.engine.Refused(lead); refused[lead] != got {
			t.Errorf("lead %d: %d refused samples told of %d", lead, refused[lead], got)
		}
	}
	t.Logf("%d kinds of fault, one of them %d times", len(told), many)
	if many < 50 {
		t.Errorf("at most %d faults of a kind", many)
	}
	if !reflect.DeepEqual(b.events, run().events) {
		t.Error("equal inputs, other events")
	}
}

// A bus that is stuck for a second, or whose kernel waits for it as long, holds up
// its own chips only: those of the other bus are sampled at the very instants
// they would be, and their leads stay what they are.
func TestStuckBusHoldsUpNoOtherBus(t *testing.T) {
	for seed := range uint64(20) {
		calm, stuck := runTwoBuses(t, seed, false), runTwoBuses(t, seed, true)
		if len(calm.samples) < 1000 || !reflect.DeepEqual(calm.samples, stuck.samples) {
			t.Errorf("seed %d: %d samples of the other bus instead of %d, or at other instants", seed, len(stuck.samples), len(calm.samples))
		}
		lost := map[int]bool{}
		for _, e := range stuck.events {
			switch e := e.(type) {
			case *measure.StateChanged:
				if e.State == measure.Unknown {
					lost[e.Lead] = true
				}
			case *measure.Transition:
				t.Errorf("seed %d: %+v", seed, e)
			}
		}
		for lead := range 16 {
			if lost[lead] != (lead >= 8) {
				t.Errorf("seed %d: lead %d lost: %t", seed, lead, lost[lead])
			}
		}
	}
}

type twoBuses struct {
	samples []adc.Instant // of the first bus
	events  []measure.Event
}

// runTwoBuses runs two buses of two chips, a scanner on each, for two seconds; the
// second may be stuck once.
func runTwoBuses(t *testing.T, seed uint64, stuck bool) (out twoBuses) {
	t.Helper()
	p, waves := sixteen(1400*time.Microsecond, 0.001, func() *vehicle.Wave {
		return vehicle.NewPolyline([]vehicle.Point{{At: 0, V: 12.6}}, 1.4e6)
	})
	engine := measure.New(p)
	merge := adc.NewMerge(2, func(in adc.Input) { out.events = append(out.events, engine.Step(in)...) })
	var buses [2]*adctest.Bus
	var scanners [2]*adc.Scanner
	for i := range buses {
		host := knownHost
		host.Seed = seed + uint64(100*i)
		buses[i] = adctest.NewBus(host)
		var plans []adc.ChipPlan
		for c := range 2 {
			o := adctest.ADS1x15Options{Address: 0x48 + uint16(c), Seed: host.Seed + uint64(c), NoiseV: adctest.DataSheetNoiseV}
			var inputs []adc.PlannedInput
			for k := range 4 {
				lead := 8*i + 4*c + k
				o.Inputs[k] = waves[lead]
				inputs = append(inputs, adc.PlannedInput{Input: k, Lead: lead})
			}
			buses[i].Add(adctest.NewADS1x15(o))
			d, err := ads1x15.New(buses[i], ads1x15.Options{Name: "adc", Address: o.Address})
			if err != nil {
				t.Fatal(err)
			}
			plans = append(plans, d.Plan(400000, inputs...))
		}
		var err error
		scanners[i], err = adc.NewScanner(buses[i], plans, func(in adc.Input) {
			if i == 0 && in.Kind == adc.SampleInput {
				out.samples = append(out.samples, in.At)
			}
			merge.Put(i, in)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	once := stuck
	buses[1].Inject = func(_ int, at adc.Instant, _ uint16) adctest.Fault {
		if once && at > adc.Instant(400*time.Millisecond+time.Duration(seed)*313*time.Microsecond) {
			once = false
			return adctest.StuckBus
		}
		return adctest.NoFault
	}
	const length = adc.Instant(2 * time.Second)
	for buses[0].Now() < length || buses[1].Now() < length {
		i := 0
		if buses[1].Now() < buses[0].Now() {
			i = 1
		}
		scanners[i].Step()
	}
	merge.Flush()
	out.events = append(out.events, engine.Flush()...)
	return out
}
