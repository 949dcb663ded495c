package adctest

import (
	"math/rand/v2"
	"time"

	"keyturn/adc"
)

// burst is a time in which some transactions meet a fault.
type burst struct {
	from, to adc.Instant
	chance   float64
	chip     int // -1: all of them
	faults   []Fault
}

// Storm lets bursts of mixed faults meet the bus, of any density, on one of its
// chips or all, while their supply fails and they are unplugged. It returns when
// all of it is over, but for a transfer on a stuck bus that is still to time out.
func (b *Bus) Storm(rng *rand.Rand, chips []*ADS1x15) (ends adc.Instant) {
	between := func(least, most time.Duration) time.Duration {
		return least + time.Duration(rng.Int64N(int64(most-least)))
	}
	kinds := []Fault{NAK, LateNAK, PointerNAK, StuckBus}
	begins := b.Now()
	at := begins.Add(between(0, 500*time.Millisecond))
	var bursts []burst
	for range 1 + rng.IntN(4) {
		x := burst{from: at, to: at.Add(between(5*time.Millisecond, 2*time.Second)), chance: 0.01 * float64(1+rng.IntN(100)), chip: rng.IntN(len(chips)+1) - 1}
		rng.Shuffle(len(kinds), func(i, j int) { kinds[i], kinds[j] = kinds[j], kinds[i] })
		x.faults = append(x.faults, kinds[:1+rng.IntN(len(kinds))]...)
		bursts = append(bursts, x)
		ends = max(ends, x.to)
		at = at.Add(between(0, 1500*time.Millisecond))
	}
	for _, c := range chips {
		for at := begins.Add(between(0, 2*time.Second)); at < ends; at = at.Add(between(time.Millisecond, 2*time.Second)) {
			if rng.IntN(2) == 0 {
				c.BrownOut(at)
				continue
			}
			c.Unplug(at)
			at = at.Add(between(time.Millisecond, time.Second))
			c.Plug(at)
			ends = max(ends, at)
		}
	}
	b.Inject = func(_ int, at adc.Instant, addr uint16) Fault {
		for _, x := range bursts {
			if at >= x.from && at < x.to && (x.chip < 0 || chips[x.chip].o.Address == addr) && rng.Float64() < x.chance {
				return x.faults[rng.IntN(len(x.faults))]
			}
		}
		return NoFault
	}
	return ends
}
