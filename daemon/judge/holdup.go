package judge

import "math"

// HoldUp is a capacitor that bridges a feed.
type HoldUp struct {
	CapacitanceF float64
	FromV, ToV   float64 // from charged down to where the accessory stops
}

// EnergyJ is what it gives, in joules: C·(V1² - V2²)/2. NaN where the figures make no
// sense.
func (h HoldUp) EnergyJ() float64 {
	if !h.sound() {
		return math.NaN()
	}
	return h.CapacitanceF * (h.FromV*h.FromV - h.ToV*h.ToV) / 2
}

// AtPowerS is how long it bridges a constant power, in seconds: C·(V1² - V2²)/2P. NaN
// where the figures make no sense.
func (h HoldUp) AtPowerS(powerW float64) float64 {
	if !(powerW > 0) {
		return math.NaN()
	}
	return h.EnergyJ() / powerW
}

// AtCurrentS is how long it bridges a constant current, in seconds: C·(V1 - V2)/I. NaN
// where the figures make no sense.
func (h HoldUp) AtCurrentS(currentA float64) float64 {
	if !h.sound() || !(currentA > 0) {
		return math.NaN()
	}
	return h.CapacitanceF * (h.FromV - h.ToV) / currentA
}

func (h HoldUp) sound() bool { return h.CapacitanceF >= 0 && h.ToV >= 0 && h.FromV >= h.ToV }

const (
	// diodeV is what is lost in the diode that keeps a hold-up capacitor from feeding the
	// vehicle (Schottky, value from memory).
	diodeV = 0.5
	// capacitorTolerance is how far an aluminium electrolytic capacitor may be from what
	// stands on it, as a share (IEC 60062, letter M; value from memory).
	capacitorTolerance = 0.2
)

// leastV is the voltage of the feed below which the accessory stops: its own, and what
// the diode of a capacitor loses; 0: not known.
func (w *Want) leastV() float64 {
	if w.MinimumV > 0 && w.HoldUpF > 0 {
		return w.MinimumV + diodeV
	}
	return w.MinimumV
}

// holdUpS is how long the capacitor bridges, by what stands on it; 0 where that is not
// known. It reckons with a converter, whose current rises as its voltage falls: of the
// two laws the one that gives less.
func (c *Choice) holdUpS(w *Want) float64 {
	h := HoldUp{w.HoldUpF, c.Slot.BeforeV - diodeV, w.MinimumV}
	if h.CapacitanceF == 0 || !(h.ToV > 0) || !(h.FromV > h.ToV) {
		return 0
	}
	return h.AtPowerS(w.CurrentA * h.FromV)
}
