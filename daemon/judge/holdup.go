package judge

import "math"

// HoldUp is a capacitor that bridges a feed.
type HoldUp struct {
	CapacitanceF float64
	FromV, ToV   float64 // from charged down to where the accessory stops
}

// AtPowerS is how long it bridges a constant power, in seconds: C·(V1² - V2²)/2P. NaN
// where the figures make no sense.
func (h HoldUp) AtPowerS(powerW float64) float64 {
	if !h.sound() || !(powerW > 0) {
		return math.NaN()
	}
	return h.CapacitanceF * (h.FromV*h.FromV - h.ToV*h.ToV) / (2 * powerW)
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
