package vehicle

import (
	"math/rand/v2"
	"slices"

	"keyturn/adc"
)

// Parked is the current that a parked vehicle draws: it shuts down in steps and is
// woken now and then. Between its steps the current stands.
type Parked struct {
	Steps []Step // in the order of time; before the first nothing flows
}

// Step is the current from an instant on, in amperes, positive out of the battery.
type Step struct {
	At adc.Instant
	A  float64
}

// DrawParked draws the current after a key-off: control units go to sleep in three to
// five steps within half an hour, then the vehicle draws restA but for wakes, which
// come until an instant. It returns when it fell asleep, and begin and end of each
// wake.
func DrawParked(rng *rand.Rand, off, until adc.Instant, restA float64) (p *Parked, asleep adc.Instant, wakes [][2]adc.Instant) {
	seconds := func(least, most float64) adc.Instant { return nano(least + (most-least)*rng.Float64()) }
	p = &Parked{Steps: []Step{{off - nano(60), 5 + 2*rng.Float64()}}}
	a, at := 3+2*rng.Float64(), off+seconds(0.2, 2)
	for range 2 + rng.IntN(3) {
		p.Steps = append(p.Steps, Step{at, a})
		a = max(0.12, a*(0.2+0.5*rng.Float64()))
		at += seconds(5, 500)
	}
	asleep = at
	p.Steps = append(p.Steps, Step{asleep, restA})
	for at = asleep + seconds(60, 900); at < until-nano(60); at += seconds(60, 900) {
		woken := at
		p.Steps = append(p.Steps, Step{at, 0.5 + 4*rng.Float64()})
		at += seconds(0.2, 8)
		p.Steps = append(p.Steps, Step{at, 0.1 + 0.4*rng.Float64()})
		at += seconds(0.2, 20)
		p.Steps = append(p.Steps, Step{at, restA})
		wakes = append(wakes, [2]adc.Instant{woken, at})
	}
	return p, asleep, wakes
}

// ChargeC returns what flows between two instants, in coulombs.
func (p *Parked) ChargeC(from, to adc.Instant) float64 {
	// The steps before the last one that has happened by from tell nothing.
	i, _ := slices.BinarySearchFunc(p.Steps, from, func(s Step, t adc.Instant) int { return int(min(max(s.At-t, -1), 1)) })
	sum := 0.0
	for i = max(i-1, 0); i < len(p.Steps) && p.Steps[i].At < to; i++ {
		end := to
		if i+1 < len(p.Steps) {
			end = min(to, p.Steps[i+1].At)
		}
		sum += p.Steps[i].A * (end - max(from, p.Steps[i].At)).Seconds()
	}
	return sum
}

// Across returns the voltage of the current across a shunt of a resistance.
func (p *Parked) Across(ohm float64) *ShuntWave { return &ShuntWave{p, ohm} }

// ShuntWave is the voltage across a shunt.
type ShuntWave struct {
	p   *Parked
	ohm float64
}

// Mean returns the mean voltage over a window, in volts.
func (w *ShuntWave) Mean(from, to adc.Instant) float64 {
	return w.p.ChargeC(from, to) / (to - from).Seconds() * w.ohm
}
