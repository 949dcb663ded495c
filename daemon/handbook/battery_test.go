package handbook

import (
	"math"
	"testing"
)

func charge(t *testing.T, k BatteryKind, v, celsius float64) Charge {
	t.Helper()
	c, err := StateOfCharge(k, Resting{v, celsius})
	if err != nil {
		t.Fatal(err)
	}
	if c.LowPercent > c.Percent || c.HighPercent < c.Percent {
		t.Errorf("%s at %g V: %+v", k, v, c)
	}
	return c
}

// The two printed temperatures of the sheet, 80 °F and 0 °F.
func TestFloodedChargeIsTheSheets(t *testing.T) {
	for _, row := range []struct{ percent, warmV, coldV float64 }{
		{100, 12.650, 12.516}, {75, 12.450, 12.316}, {50, 12.240, 12.106}, {25, 12.060, 11.926}, {0, 11.890, 11.756},
	} {
		near(t, "warm, %", charge(t, Flooded, row.warmV, 26.7).Percent, row.percent, 1e-6)
		near(t, "cold, %", charge(t, Flooded, row.coldV, -17.8).Percent, row.percent, 1e-6)
	}
	near(t, "between two rows, %", charge(t, Flooded, 12.345, 26.7).Percent, 62.5, 1e-6)
	c := charge(t, Flooded, 12.2, 26.7) // the mnemonic calls it half full
	near(t, "the mnemonic, %", c.HighPercent, 50, 1e-6)
	near(t, "the sheet, %", c.LowPercent, 25+25*0.14/0.18, 1e-6)
}

// The sheet goes in tens of Fahrenheit from 0 to 120, and the rise between two of
// them never grows: acid and plates give less and less.
func TestRestShiftIsSmooth(t *testing.T) {
	last := math.Inf(1)
	for i, p := range restShift {
		near(t, "row, °C", p.x, (float64(10*i)-32)/1.8, 0.051)
		if i == 0 {
			continue
		}
		rise := math.Round((p.y - restShift[i-1].y) * 1000)
		if rise > last || rise <= 0 {
			t.Errorf("%g °C: %g mV after %g", p.x, rise, last)
		}
		last = rise
	}
}

// A cell's open-circuit voltage is its acid's specific gravity and about 0.84 V
// (a rule of battery handbooks, value from memory); a full battery's acid is
// 1.265 at 26.7 °C by the sheet.
func TestFullBatteryAgainstItsAcid(t *testing.T) {
	near(t, "full, V", floodedCurve[4].x, 6*(1.265+0.84), 0.03)
}

func TestAGMCharge(t *testing.T) {
	for _, c := range []struct{ v, low, high float64 }{
		{13.2, 100, 100}, {13.0, 87.5, 100}, {12.8, 75, 100}, {12.7, 62.5, 87.5}, {12.6, 50, 75}, {12.3, 25, 50}, {12.0, 0, 25}, {11.5, 0, 25},
	} {
		got := charge(t, AGM, c.v, 26.7)
		near(t, "low %", got.LowPercent, c.low, 1e-6)
		near(t, "high %", got.HighPercent, c.high, 1e-6)
		if got.OffTable != (c.v < 12) {
			t.Errorf("%g V: %+v", c.v, got)
		}
	}
}

func TestChargeRisesAndSaysWhereTheTableEnds(t *testing.T) {
	for _, k := range []BatteryKind{Flooded, AGM} {
		for _, celsius := range []float64{-17.8, 0, 20, 48.9} {
			last := -1.0
			for v := 10.8; v < 13.0; v += 0.01 {
				c := charge(t, k, v, celsius)
				if c.Percent < last || c.Percent < 0 || c.Percent > 100 {
					t.Fatalf("%s at %g V: %+v after %g %%", k, v, c, last)
				}
				last = c.Percent
			}
		}
	}
	if c := charge(t, Flooded, 12.8, 26.7); c.Percent != 100 || !c.OffTable {
		t.Errorf("above the table: %+v", c)
	}
	if c := charge(t, Flooded, 11.0, 26.7); c.Percent != 0 || !c.OffTable {
		t.Errorf("below the table: %+v", c)
	}
	if c := charge(t, Flooded, 12.65, 26.7); c.OffTable {
		t.Errorf("full: %+v", c)
	}
}

func TestChargeRefuses(t *testing.T) {
	for _, c := range []struct {
		kind BatteryKind
		r    Resting
		says string
	}{
		{Flooded, Resting{14.4, 20}, "resting battery"},
		{AGM, Resting{9, 20}, "six sound cells"},
		{Flooded, Resting{math.NaN(), 20}, "NaN V"},
		{Flooded, Resting{12.4, -30}, "-17.8 to 48.9 °C"},
		{Flooded, Resting{12.4, math.NaN()}, "NaN °C"},
		{"lithium", Resting{12.4, 20}, `"lithium"`},
	} {
		_, err := StateOfCharge(c.kind, c.r)
		notInTable(t, err, c.says)
	}
}

// Kia 2004: half the cold-cranking amperes for 15 s. Kia Amanti 2007 and 2009; beside them Suzuki Aerio 2006, which prints other
// temperatures.
func TestLoadTest(t *testing.T) {
	for _, c := range []struct{ celsius, wantV, margin float64 }{
		{40, 9.6, 0}, {20, 9.6, 0}, {16, 9.5, 0}, {10, 9.4, 0}, {4, 9.3, 0}, {-1, 9.1, 0}, {-7, 8.9, 0}, {-12, 8.7, 0}, {-18, 8.5, 0},
		{21, 9.6, 0.001}, {0, 9.1, 0.05}, {-10, 8.8, 0.05},
		{13, 9.45, 1e-9},
	} {
		got, err := LoadTest(c.celsius)
		if err != nil {
			t.Error(err)
		}
		near(t, "V", got.V, c.wantV, c.margin)
	}
	near(t, "A for a battery of 600 A", LoadTestShare*600, 300, 0)
	near(t, "s", LoadTestSeconds, 15, 0)
	for _, celsius := range []float64{-19, math.NaN()} {
		_, err := LoadTest(celsius)
		notInTable(t, err, "-18 to 20 °C")
	}
}
