package adc_test

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
)

// The promises of a scanner whose bus is in trouble: it never panics, no sample
// bears another lead's name, what a brown-out made void is taken back, every
// lead is sampled again soon after the trouble has ended, and the chips that had
// none are sampled as before.

// backWithin is how soon after a fault's end each lead is sampled again.
const backWithin = 300 * time.Millisecond

// chaos watches a rig of four chips with four leads each.
type chaos struct {
	*rig
	ended       adc.Instant     // of the trouble
	first, last [16]adc.Instant // samples
	n           [16]int
	back        [16]adc.Instant // first good sample that began after the trouble
	void        [16]adc.Instant // a sample of a lost conversion, not taken back yet
	blinds      [16]int
	continuous  int    // chips that serve their first input only
	wrong       string // the first promise broken
}

const never = adc.Instant(1<<63 - 1)

func newChaos(t testing.TB, o rigOptions) *chaos {
	o.chips = 4
	c := &chaos{rig: newRig(t, o), ended: never, continuous: o.continuous}
	c.got = c.watch
	return c
}

func (c *chaos) watch(in adc.Input) {
	switch in.Kind {
	case adc.BlindInput:
		c.blinds[in.Blind.Lead]++
		if in.Blind.Reason == adc.WrongChip {
			c.breaks("lead %d at %.6f s: taken for another chip", in.Blind.Lead, in.At.Seconds())
		}
		if in.Blind.Since < c.void[in.Blind.Lead] {
			c.void[in.Blind.Lead] = 0
		}
	case adc.SampleInput:
		k, x := in.Sample.Lead, c.truth[in.Sample.Lead/4]
		if x.Input == -1 && in.Sample.Code == 0 {
			c.void[k] = in.At
			return
		}
		if x.Input != k%4 || x.Code != in.Sample.Code {
			c.breaks("lead %d at %.6f s got input %d of its chip", k, in.At.Seconds(), x.Input)
		}
		if c.first[k] == 0 {
			c.first[k] = in.At
		}
		if c.back[k] == 0 && in.Sample.From >= c.ended {
			c.back[k] = in.At
		}
		c.last[k] = in.At
		c.n[k]++
	}
}

func (c *chaos) breaks(format string, args ...any) {
	if c.wrong == "" {
		c.wrong = fmt.Sprintf(format, args...)
	}
}

// interval is the mean interval of a lead's samples.
func (c *chaos) interval(lead int) time.Duration {
	return c.last[lead].Sub(c.first[lead]) / time.Duration(max(c.n[lead]-1, 1))
}

// settle runs on for as long as the scanner may take to find all that the
// trouble did, checks what was promised for then, and returns how long the last
// lead took to be sampled again.
func (c *chaos) settle() (slowest time.Duration) {
	c.runUntil(c.ended.Add(backWithin + 50*time.Millisecond))
	for k := range 16 {
		if k/4 < c.continuous && k%4 > 0 {
			continue
		}
		if c.back[k] == 0 {
			c.breaks("lead %d is not back", k)
			continue
		}
		slowest = max(slowest, c.back[k].Sub(c.ended))
		if c.void[k] != 0 {
			c.breaks("lead %d: the void sample of %.6f s is not taken back", k, c.void[k].Seconds())
		}
	}
	if slowest > backWithin {
		c.breaks("the last lead is back after %v", slowest)
	}
	return slowest
}

// trouble is a kind of fault that meets one transaction.
type trouble struct {
	name  string
	fault adctest.Fault
	// chip, if set, befalls the chip that the transaction goes to; it returns
	// when that is over.
	chip func(*adctest.ADS1x15, adc.Instant) adc.Instant
	// lost: the bus loses the pointer's NAK, so registers are read in two.
	lost bool
	// lasting: it does not end with the transaction, so it may keep the others
	// from the bus.
	lasting bool
}

var troubles = []trouble{
	{name: "NAK", fault: adctest.NAK},
	{name: "late NAK", fault: adctest.LateNAK},
	{name: "stuck bus", fault: adctest.StuckBus, lasting: true},
	{name: "pointer NAK", fault: adctest.PointerNAK},
	{name: "pointer NAK lost", fault: adctest.PointerNAK, lost: true},
	{name: "brown-out", chip: func(c *adctest.ADS1x15, at adc.Instant) adc.Instant {
		c.BrownOut(at)
		return at
	}},
	{name: "unplugged and back", chip: func(c *adctest.ADS1x15, at adc.Instant) adc.Instant {
		back := at.Add(30 * time.Millisecond)
		c.Unplug(at)
		c.Plug(back)
		return back
	}},
}

func (x *trouble) options() rigOptions {
	return rigOptions{split: x.lost, bus: adctest.BusOptions{LosesPointerNAK: x.lost,
		OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}}
}

// injectAt lets the trouble meet transaction number n of a bus; hit is the chip
// that it went to.
func (x *trouble) injectAt(c *chaos, n int, hit *int) {
	c.bus.Inject = func(i int, at adc.Instant, addr uint16) adctest.Fault {
		if i != n {
			return adctest.NoFault
		}
		*hit = int(addr - 0x48)
		c.ended = at
		if x.chip != nil {
			// Anywhere in a transaction and the wait after it.
			c.ended = x.chip(c.chips[*hit], at.Add(time.Duration(n*7919%400)*time.Microsecond))
		}
		return x.fault
	}
}

// Each kind of fault, at each of the first transactions of a scan in turn: while
// the chips are configured, while their conversion times are learned, and at
// every place of the scan and its proofs.
func TestFaultAtEveryTransaction(t *testing.T) {
	const transactions = 2000
	for _, x := range troubles {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			calm := newChaos(t, x.options())
			calm.runUntil(adc.Instant(time.Second))
			runs, slowest, worst := 0, time.Duration(0), 0.0
			for n := 0; n < transactions; n += raceFactor | 1 {
				c := newChaos(t, x.options())
				hit := -1
				x.injectAt(c, n, &hit)
				for hit < 0 {
					c.scanner.Step()
				}
				if x.fault == adctest.StuckBus {
					c.ended = c.ended.Add(adctest.StuckFor)
				}
				slowest = max(slowest, c.settle())
				for k := range 16 {
					off := float64(c.interval(k))/float64(calm.interval(k)) - 1
					if k/4 == hit || x.lasting {
						continue
					}
					if worst = max(worst, off); off > 0.05 {
						c.breaks("lead %d of another chip is sampled every %v instead of %v", k, c.interval(k), calm.interval(k))
					}
				}
				if runs++; c.wrong != "" {
					t.Errorf("transaction %d: %s", n, c.wrong)
				}
			}
			t.Logf("%d runs; slowest recovery %v; other chips' mean interval longer by at most %.2f %%", runs, slowest, 100*worst)
		})
	}
}

// Storms of faults, brown-outs and unplugging, over any oscillators and on a
// jittering host: the same promises hold.
func TestStormsOnTheBus(t *testing.T) {
	const storms = 1000
	var faults, blinds, samples int
	slowest := time.Duration(0)
	for seed := uint64(0); seed < storms; seed += raceFactor | 1 {
		rng := rand.New(rand.NewPCG(seed, 0x570))
		lost := seed%3 == 0
		c := newChaos(t, rigOptions{split: lost, continuous: int(seed % 2), oscillator: anyOscillator(rng),
			bus: adctest.BusOptions{Seed: seed, LosesPointerNAK: lost, OverheadMin: 30 * time.Microsecond, OverheadMax: 130 * time.Microsecond}})
		ends := c.bus.Storm(rng, c.chips)
		c.runUntil(ends)
		c.ended = c.bus.Now()
		slowest = max(slowest, c.settle())
		if c.wrong != "" {
			t.Errorf("seed %d: %s", seed, c.wrong)
		}
		for _, n := range c.scanner.Counts() {
			faults += int(n.Faults)
			samples += int(n.Samples)
		}
		for _, n := range c.blinds {
			blinds += n
		}
	}
	t.Logf("%d samples, %d faults, %d blind stretches; slowest recovery %v", samples, faults, blinds, slowest)
	if faults == 0 || blinds == 0 {
		t.Error("no storm")
	}
}

// The slowest chips that keep to the data sheet, on a host too quick to hide it.
func TestSlowestChipsOfTheDataSheet(t *testing.T) {
	for seed := range uint64(max(20/raceFactor, 4)) {
		c := newChaos(t, rigOptions{
			bus:        adctest.BusOptions{Seed: seed, OverheadMax: 20 * time.Microsecond},
			oscillator: func(int) func(adc.Instant) float64 { return func(adc.Instant) float64 { return -0.0999 } },
		})
		c.ended = 0
		c.runUntil(adc.Instant(5 * time.Second))
		for k := range 16 {
			if c.blinds[k] > 0 || c.n[k] < 700 {
				c.breaks("lead %d: %d samples, %d times blind", k, c.n[k], c.blinds[k])
			}
		}
		if c.wrong != "" {
			t.Errorf("seed %d: %s", seed, c.wrong)
		}
	}
}
