package judge

import (
	"errors"
	"fmt"
	"math"
	"sort"
)

// Meter is a hand meter as its owner declares it.
type Meter struct {
	// ReadingsPerS is how many readings a second it makes.
	ReadingsPerS float64
	// IntegratesS is how long each reading integrates, in seconds; 0: all the time
	// between two.
	IntegratesS float64
	// Averages is how many readings the display averages; 0 or 1: it does not.
	Averages int
	// HoldsLowest: it keeps the lowest reading until it is reset.
	HoldsLowest bool
	// Percent of the reading and Counts of its last digit, DigitV, are its limits.
	Percent, Counts, DigitV float64
}

// UV is the standard uncertainty of a reading, in volts: its limits are a rectangle
// (JCGM 100:2008, 4.3.7).
func (m Meter) UV(v float64) float64 {
	return (m.Percent/100*math.Abs(v) + m.Counts*m.DigitV) / math.Sqrt(3)
}

func (m Meter) integratesS() float64 {
	if m.IntegratesS > 0 {
		return m.IntegratesS
	}
	return 1 / m.ReadingsPerS
}

// Window is a stretch of a waveform in seconds, and the mean of the volts in it. What
// lies between two windows is taken for a straight line.
type Window struct{ FromS, ToS, V float64 }

// Shown bounds the lowest that a meter shows of a start, whenever its readings happen to
// begin.
type Shown struct{ LowV, HighV float64 }

// eyeS is how long a figure must stand to be read off a display that holds nothing
// (common practice, no published source).
const eyeS = 0.5

// How finely the phases of a meter's readings are gone through. What lies between two
// phases is bounded, and the bounds are widened by it.
const (
	phasesMost   = 1024
	phasesLeast  = 32
	readingsMost = 1 << 17  // of one phase
	workMost     = 1 << 21  // readings of all phases
	windowsMost  = 1 << 18  // 26 minutes at 6 ms
	swingMostV   = 1e4      // beyond, it is no voltage of a vehicle
	rateMost     = 10_000.0 // readings a second
)

// Lowest bounds the lowest that the meter shows of a waveform over all phases of its
// readings. Before the first window and after the last the wire stays at their volts.
// Without a hold, a person reads what stands for half a second at the least, so that
// the upper bound is the lowest such figure.
func (m Meter) Lowest(wave []Window) (Shown, error) {
	if err := m.check(); err != nil {
		return Shown{}, err
	}
	a, err := areaOf(wave)
	if err != nil {
		return Shown{}, err
	}
	period, over := 1/m.ReadingsPerS, m.integratesS()
	n := max(1, m.Averages)
	readings := int(math.Ceil((a.endS()-a.beginS()+over)/period)) + 2*n
	if readings > readingsMost {
		return Shown{}, fmt.Errorf("waveform of %g s at %g readings a second: more than %d readings; cut out the start", a.endS()-a.beginS(), m.ReadingsPerS, readingsMost)
	}
	phases := min(phasesMost, max(phasesLeast, workMost/readings))
	stands := 1
	if !m.HoldsLowest {
		stands = int(math.Ceil(eyeS*m.ReadingsPerS - 1e-9))
	}
	s := Shown{math.Inf(1), math.Inf(-1)}
	display := make([]float64, readings)
	for phase := range phases {
		from := a.beginS() - over - period*float64(phase)/float64(phases)
		for k := range display {
			display[k] = a.mean(from+float64(k)*period, over)
		}
		display := averaged(display, n)
		s.LowV = min(s.LowV, lowestStanding(display, 1))
		s.HighV = max(s.HighV, lowestStanding(display, stands))
	}
	// A reading changes by no more than the swing over what it integrates (the mean's
	// derivative is the difference of its ends).
	open := (a.maxV - a.minV) / over * period / float64(phases) / 2
	return Shown{max(a.minV, s.LowV-open), min(a.maxV, s.HighV+open)}, nil
}

func (m Meter) check() error {
	switch {
	case !(m.ReadingsPerS > 0 && m.ReadingsPerS <= rateMost):
		return fmt.Errorf("meter with %g readings a second: want more than 0, at most %g", m.ReadingsPerS, rateMost)
	case !(m.IntegratesS >= 0) || m.IntegratesS > 1/m.ReadingsPerS*(1+1e-9):
		return fmt.Errorf("meter that integrates %g s: want from 0 to the %g s between two readings", m.IntegratesS, 1/m.ReadingsPerS)
	case m.Averages < 0 || m.Averages > averagesMost:
		return fmt.Errorf("meter that averages %d readings: want 0 to %d", m.Averages, averagesMost)
	case !(m.Percent >= 0 && m.Counts >= 0 && m.DigitV >= 0):
		return fmt.Errorf("meter with limits of %g %% and %g digits of %g V: want figures from 0", m.Percent, m.Counts, m.DigitV)
	}
	return nil
}

// averagesMost is how many readings a display may average.
const averagesMost = 100

// averaged replaces each reading by the mean of the latest n, in place from the end; the
// first ones see the level before.
func averaged(readings []float64, n int) []float64 {
	for k := len(readings) - 1; n > 1 && k >= 0; k-- {
		sum := 0.0
		for i := range n {
			sum += readings[max(0, k-i)]
		}
		readings[k] = sum / float64(n)
	}
	return readings
}

// lowestStanding is the lowest figure that no n readings in a row exceed.
func lowestStanding(display []float64, n int) float64 {
	lowest := math.Inf(1)
	for k := n - 1; k < len(display); k++ {
		highest := display[k]
		for i := 1; i < n; i++ {
			highest = max(highest, display[k-i])
		}
		lowest = min(lowest, highest)
	}
	return lowest
}

// area is the integral of a waveform: straight lines through knots.
type area struct {
	s, v, sum  []float64 // of each knot: time, volts, area up to it
	minV, maxV float64
}

// areaOf adds up a waveform.
func areaOf(wave []Window) (*area, error) {
	if len(wave) == 0 {
		return nil, errors.New("waveform without a sample")
	}
	if len(wave) > windowsMost {
		return nil, fmt.Errorf("waveform of %d samples: at most %d; cut out the start", len(wave), windowsMost)
	}
	a := &area{minV: math.Inf(1), maxV: math.Inf(-1)}
	for i, w := range wave {
		switch {
		case !(w.ToS > w.FromS) || math.IsInf(w.ToS-w.FromS, 0) || !(math.Abs(w.V) <= swingMostV):
			return nil, fmt.Errorf("sample %d of a waveform from %g to %g s with %g V: want a window that lasts, and volts", i+1, w.FromS, w.ToS, w.V)
		case i > 0 && w.FromS < wave[i-1].ToS:
			return nil, fmt.Errorf("sample %d of a waveform begins at %g s, before the one before ends: want them in their order", i+1, w.FromS)
		}
		a.add(w.FromS, w.V)
		a.add(w.ToS, w.V)
	}
	return a, nil
}

func (a *area) add(s, v float64) {
	sum := 0.0
	if n := len(a.s) - 1; n >= 0 {
		sum = a.sum[n] + (s-a.s[n])*(v+a.v[n])/2
	}
	a.s, a.v, a.sum = append(a.s, s), append(a.v, v), append(a.sum, sum)
	a.minV, a.maxV = min(a.minV, v), max(a.maxV, v)
}

func (a *area) beginS() float64 { return a.s[0] }
func (a *area) endS() float64   { return a.s[len(a.s)-1] }

// mean is that of a stretch.
func (a *area) mean(from, over float64) float64 {
	return (a.upTo(from+over) - a.upTo(from)) / over
}

// upTo is the area from the first knot to an instant.
func (a *area) upTo(s float64) float64 {
	i := sort.SearchFloat64s(a.s, s) // the first knot not before it
	switch last := len(a.s) - 1; {
	case i == 0:
		return (s - a.s[0]) * a.v[0]
	case i > last:
		return a.sum[last] + (s-a.s[last])*a.v[last]
	}
	dt := s - a.s[i-1]
	v := a.v[i-1] + (a.v[i]-a.v[i-1])*dt/(a.s[i]-a.s[i-1])
	return a.sum[i-1] + dt*(a.v[i-1]+v)/2
}

// gapMostS is the longest stretch that a waveform shows nothing of.
func gapMostS(wave []Window) (s float64) {
	for i := 1; i < len(wave); i++ {
		s = max(s, wave[i].FromS-wave[i-1].ToS)
	}
	return s
}
