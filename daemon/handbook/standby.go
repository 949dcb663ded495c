package handbook

import (
	"errors"
	"fmt"
)

// reserveA is the current at which reserve capacity is stated: minutes down to 10.5 V at
// 26.7 °C. Read on reclear.blogspot.com.
const reserveA = 25

// ReserveSource is the source of ReserveAh.
func ReserveSource() Source {
	return Source{Document: "reserve capacity: minutes at 25 A", ReadIn: "a public page on battery ratings", Standing: Published}
}

// ReserveAh is the charge, in ampere-hours, of a battery whose label states a reserve
// capacity in minutes. It is less than the capacity at 20 h, for at 25 A a battery gives
// less: days that are worked out with it are too few rather than too many.
func ReserveAh(minutes float64) float64 { return reserveA * minutes / 60 }

// Standby is a parked vehicle.
type Standby struct {
	CapacityAh    float64 // as rated, at 20 h
	FromPercent   float64 // charge now
	LowestPercent float64 // charge at which it must still start
	DrawMA        float64 // what the vehicle draws at rest
	// SelfDischarge is what the battery loses by itself, in per cent of its capacity
	// in 30 days. It is the maker's figure; it doubles about every 10 K
	// (value from memory).
	SelfDischarge float64
}

// Days is how long a battery lasts down to its lowest charge: what it gives,
// divided by what is drawn.
//
// Peukert's law is left out on purpose: it was fitted near the rated current, and
// far below it runs away (100 Ah at 50 mA and an exponent of 1.2: 5024 h, where
// there are 2000).
func (s Standby) Days() (float64, error) {
	switch {
	case !(s.CapacityAh > 0):
		return 0, fmt.Errorf("days parked with %g Ah: want a capacity above 0", s.CapacityAh)
	case !(s.LowestPercent >= 0 && s.LowestPercent <= s.FromPercent && s.FromPercent <= 100):
		return 0, fmt.Errorf("days parked from %g %% to %g %%: want a fall within 100 to 0 %%", s.FromPercent, s.LowestPercent)
	case !(s.DrawMA >= 0 && s.SelfDischarge >= 0):
		return 0, fmt.Errorf("days parked at %g mA and %g %% in 30 days: want figures from 0", s.DrawMA, s.SelfDischarge)
	case s.DrawMA == 0 && s.SelfDischarge == 0:
		return 0, errors.New("days parked: nothing is drawn and nothing is lost")
	}
	ahPerDay := s.DrawMA/1000*24 + s.CapacityAh*s.SelfDischarge/100/30
	return s.CapacityAh * (s.FromPercent - s.LowestPercent) / 100 / ahPerDay, nil
}
