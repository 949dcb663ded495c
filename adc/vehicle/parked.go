package vehicle

import (
	"math/rand/v2"
	"slices"

	"keyturn/adc"
)

// Steps is a quantity that stands between steps, in the order of time; before the
// first it is 0.
type Steps []Step

// Step is the level from an instant on.
type Step struct {
	At    adc.Instant
	Level float64
}

// Integral returns the area under the steps between two instants, in units of the level
// times seconds.
func (s Steps) Integral(from, to adc.Instant) float64 {
	i, _ := slices.BinarySearchFunc(s, from, func(x Step, t adc.Instant) int { return int(min(max(x.At-t, -1), 1)) })
	sum := 0.0
	for i = max(i-1, 0); i < len(s) && s[i].At < to; i++ {
		end := to
		if i+1 < len(s) {
			end = min(to, s[i+1].At)
		}
		sum += s[i].Level * max(0, end-max(from, s[i].At)).Seconds()
	}
	return sum
}

// Mean returns the mean level over a window.
func (s Steps) Mean(from, to adc.Instant) float64 {
	return s.Integral(from, to) / (to - from).Seconds()
}

// Times returns the steps with each level times a factor: a current across a shunt, a
// voltage through a divider.
func (s Steps) Times(factor float64) Steps {
	out := slices.Clone(s)
	for i := range out {
		out[i].Level *= factor
	}
	return out
}

// Parked is a vehicle after key-off: what it draws, and what it does.
type Parked struct {
	// A is the current out of the battery, in amperes.
	A Steps
	// Asleep is when it fell asleep.
	Asleep adc.Instant
	// Wakes lists begin and end of each wake.
	Wakes [][2]adc.Instant
}

// NewParked draws the current around a key-off: control units go to sleep in three to
// five steps within half an hour, then the vehicle draws restA but for wakes, which come
// until an instant.
func NewParked(rng *rand.Rand, off, until adc.Instant, restA float64) *Parked {
	seconds := func(least, most float64) adc.Instant { return nano(least + (most-least)*rng.Float64()) }
	p := &Parked{A: Steps{{off - nano(60), 5 + 2*rng.Float64()}}}
	a, at := 3+2*rng.Float64(), off+seconds(0.2, 2)
	for range 2 + rng.IntN(3) {
		p.A = append(p.A, Step{at, a})
		a = max(0.12, a*(0.2+0.5*rng.Float64()))
		at += seconds(5, 500)
	}
	p.Asleep = at
	p.A = append(p.A, Step{at, restA})
	for at += seconds(60, 900); at < until-nano(60); at += seconds(60, 900) {
		woken := at
		p.A = append(p.A, Step{at, 0.5 + 4*rng.Float64()})
		at += seconds(0.2, 8)
		p.A = append(p.A, Step{at, 0.1 + 0.4*rng.Float64()})
		at += seconds(0.2, 20)
		p.A = append(p.A, Step{at, restA})
		p.Wakes = append(p.Wakes, [2]adc.Instant{woken, at})
	}
	return p
}
