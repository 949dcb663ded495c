package handbook

import (
	"fmt"
	"math"
	"testing"
)

// Worked example 10 of EXAMPLES.md is the first row: charge divided by current, a
// definition.
func TestDaysParked(t *testing.T) {
	for _, c := range []struct {
		what  string
		s     Standby
		wantD float64
	}{
		{"70 Ah, 80 to 50 %, 50 mA: 21 Ah, 420 h", Standby{CapacityAh: 70, FromPercent: 80, LowestPercent: 50, DrawMA: 50}, 17.5},
		{"half of it lost by itself at 3 % in 30 days", Standby{CapacityAh: 100, FromPercent: 100, LowestPercent: 50, SelfDischarge: 3}, 500},
		{"both: 1.2 and 0.1 Ah a day", Standby{CapacityAh: 100, FromPercent: 100, LowestPercent: 35, DrawMA: 50, SelfDischarge: 3}, 50},
		{"already there", Standby{CapacityAh: 70, FromPercent: 50, LowestPercent: 50, DrawMA: 50}, 0},
	} {
		got, err := c.s.Days()
		if err != nil {
			t.Errorf("%s: %v", c.what, err)
		}
		near(t, c.what, got, c.wantD, 1e-9)
	}
	for _, s := range []Standby{
		{FromPercent: 80, LowestPercent: 50, DrawMA: 50},
		{CapacityAh: 70, FromPercent: 50, LowestPercent: 80, DrawMA: 50},
		{CapacityAh: 70, FromPercent: 120, LowestPercent: 80, DrawMA: 50},
		{CapacityAh: 70, FromPercent: 80, LowestPercent: -1, DrawMA: 50},
		{CapacityAh: 70, FromPercent: 80, LowestPercent: 50, DrawMA: -50},
		{CapacityAh: 70, FromPercent: 80, LowestPercent: 50, DrawMA: math.NaN()},
		{CapacityAh: 70, FromPercent: 80, LowestPercent: 50},
	} {
		if d, err := s.Days(); err == nil {
			t.Errorf("%+v: %g days", s, d)
		}
	}
}

// peukertHours is Peukert's law through the point at which a battery is rated: H·(C/(I·H))ⁿ
// (a public page on batteries in words; the formula is a value from memory).
func peukertHours(capacityAh, ratedH, n, currentA float64) float64 {
	return ratedH * math.Pow(capacityAh/(currentA*ratedH), n)
}

// The Peukert trap. The law is sound near the rated current: its printed figures come out
// below. Far beneath it a battery would give more charge than it has: 251 Ah of 100 at
// 50 mA. So the days of a parked vehicle are charge divided by current, which is never
// more than there is. The other slip, C/Iⁿ, takes the capacity for that at 1 A.
func TestPeukertTrap(t *testing.T) {
	for _, x := range []struct {
		what string
		h    float64
		want string
	}{
		{"100 Ah at 20 h, n 1.2, 10 A", peukertHours(100, 20, 1.2, 10), "8.7055"},
		{"70 Ah at 20 h, n 1.2, 25 A", peukertHours(70, 20, 1.2, 25), "1.8897"},
		{"100 Ah at its rated 5 A", peukertHours(100, 20, 1.2, 5), "20.0000"},
		{"the same by the raw law, a published slip: 14.5 h (a page on electrical engineering, 2010)", 100 / math.Pow(5, 1.2), "14.4956"},
	} {
		if got := fmt.Sprintf("%.4f", x.h); got != x.want {
			t.Errorf("%s: %s h, want %s", x.what, got, x.want)
		}
	}
	const drawA = 0.05
	peukert := peukertHours(100, 20, 1.2, drawA)
	if got := fmt.Sprintf("%.0f", peukert); got != "5024" {
		t.Errorf("100 Ah at 50 mA: %s h by Peukert's law, want 5024", got)
	}
	if peukert*drawA < 2*100 {
		t.Errorf("%g Ah out of 100: no trap", peukert*drawA)
	}
	days, err := Standby{CapacityAh: 100, FromPercent: 100, DrawMA: drawA * 1000}.Days()
	if got := fmt.Sprintf("%.0f", days*24); err != nil || got != "2000" {
		t.Errorf("100 Ah at 50 mA: %s h, %v, want 2000", got, err)
	}
}

// Worked example 11 of EXAMPLES.md: reserve capacity is minutes at 25 A (a public page on
// battery ratings). It is less than the capacity at 20 h: by Peukert's law and the
// exponents of flooded batteries (1.2 to 1.6, a battery page), one of 50 Ah at 25 A has
// more than that at 20 h.
func TestReserveCapacity(t *testing.T) {
	near(t, "Ah of 120 min", ReserveAh(120), 50, 0)
	if ReserveSource().Standing != Published {
		t.Error(ReserveSource())
	}
	for _, n := range []float64{1.05, 1.2, 1.6} {
		// 120 min at 25 A: which capacity at 20 h is that of?
		rated := 25 * 20 * math.Pow(2.0/20, 1/n)
		near(t, "min at 25 A", 60*peukertHours(rated, 20, n, 25), 120, 1e-9)
		if rated <= ReserveAh(120) {
			t.Errorf("exponent %g: %g Ah at 20 h", n, rated)
		}
	}
}
