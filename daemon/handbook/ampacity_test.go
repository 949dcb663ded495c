package handbook

import (
	"math"
	"testing"
)

func ampacity(t *testing.T, areaMM2 float64, l Laid) Ampacity {
	t.Helper()
	a, err := Wire{AreaMM2: areaMM2}.Ampacity(l)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func TestAmpacityRows(t *testing.T) {
	for _, c := range []struct {
		areaMM2 float64
		laid    Laid
		wantA   float64
	}{
		{2.5, Laid{InsulationC: 105, AmbientC: 30}, 35},
		{2.5, Laid{InsulationC: 105, AmbientC: -10}, 35}, // nothing is gained by the cold
		{2.5, Laid{InsulationC: 100, AmbientC: 30}, 30},  // class B goes down to the column of 85 °C
		{2, Laid{InsulationC: 105, AmbientC: 30}, 25},    // 2 mm² goes down to 1.5
		{2.5, Laid{InsulationC: 250, AmbientC: 30}, 45},
		{2.5, Laid{InsulationC: 105, AmbientC: 30, Bundled: 3}, 24.5},
		{2.5, Laid{InsulationC: 105, AmbientC: 30, Bundled: 10}, 15.75}, // 10 goes up to the row of 12
		{500, Laid{InsulationC: 60, AmbientC: 30, Bundled: 1}, 180},
	} {
		near(t, "A", ampacity(t, c.areaMM2, c.laid).A, c.wantA, 1e-9)
	}
}

// Correction factors of IEC 60364-5-52, table B.52.14, for insulation of 70 °C
// (value from memory), which were not used to make the table.
func TestAmbientAgainstPrintedFactors(t *testing.T) {
	for c, printed := range map[float64]float64{35: 0.94, 40: 0.87, 45: 0.79, 50: 0.71, 55: 0.61, 60: 0.50} { // each is checked by itself
		near(t, "factor", ampacity(t, 2.5, Laid{InsulationC: 70, AmbientC: c}).AmbientBy, printed, 0.0055)
	}
}

// Physics judges every row: a warm horizontal cylinder in still air of 30 °C sheds
// heat by convection (Churchill and Chu 1975, as in heat-transfer textbooks) and
// radiation (emissivity 0.9), and copper makes heat by its resistance; both are
// values from memory. No row may carry more than that, and none much less. Walls
// of 0.35 mm, from 10 mm² 0.8 mm (ISO 6722-1 thin wall, value from memory).
func TestAmpacityAgainstAHeatBalance(t *testing.T) {
	for _, r := range ampacityRows {
		wallMM := 0.35
		if r.areaMM2 >= 10 {
			wallMM = 0.8
		}
		diameterM := (2*math.Sqrt(r.areaMM2*1.25/math.Pi) + 2*wallMM) * 1e-3 // strands fill four fifths
		for i, columnC := range ampacityColumnsC {
			ohmPerM := 1.05 / 58 / r.areaMM2 * (1 + CopperPerK*(columnC-20))
			most := math.Sqrt(shedW(diameterM, columnC, ampacityAmbientC) / ohmPerM)
			if share := r.a[i] / most; share < 0.6 || share > 1.05 {
				t.Errorf("%g mm² at %g °C: %g A, by the heat balance at most %.1f A", r.areaMM2, columnC, r.a[i], most)
			}
		}
	}
}

// shedW is what a metre of a horizontal cylinder sheds in still air, in W.
func shedW(diameterM, surfaceC, airC float64) float64 {
	surfaceK, airK := surfaceC+273.15, airC+273.15
	filmK := (surfaceK + airK) / 2
	conducts := 0.0263 * math.Pow(filmK/300, 0.8)    // W/(m·K)
	viscosity := 15.9e-6 * math.Pow(filmK/300, 1.75) // m²/s
	const prandtl = 0.71
	rayleigh := 9.81 / filmK * (surfaceK - airK) * math.Pow(diameterM, 3) / (viscosity * viscosity) * prandtl
	nusselt := math.Pow(0.60+0.387*math.Pow(rayleigh, 1.0/6)/math.Pow(1+math.Pow(0.559/prandtl, 9.0/16), 8.0/27), 2)
	convects := nusselt * conducts / diameterM * (surfaceK - airK)
	radiates := 0.9 * 5.67e-8 * (math.Pow(surfaceK, 4) - math.Pow(airK, 4))
	return (convects + radiates) * math.Pi * diameterM
}

func TestAmpacityRises(t *testing.T) {
	for i, r := range ampacityRows {
		for j := range ampacityColumnsC {
			if j > 0 && r.a[j] <= r.a[j-1] || i > 0 && r.a[j] <= ampacityRows[i-1].a[j] {
				t.Errorf("%g mm², %g °C: %g A does not rise", r.areaMM2, ampacityColumnsC[j], r.a[j])
			}
		}
	}
	for i := 1; i < len(bundles); i++ {
		if bundles[i].wires <= bundles[i-1].wires || bundles[i].factor >= bundles[i-1].factor {
			t.Errorf("bundle of %d", bundles[i].wires)
		}
	}
}

func TestAmpacityRefuses(t *testing.T) {
	for _, c := range []struct {
		areaMM2 float64
		laid    Laid
		says    string
	}{
		{0.5, Laid{InsulationC: 85, AmbientC: 30}, "0.75 mm² and more"},
		{math.NaN(), Laid{InsulationC: 85, AmbientC: 30}, "NaN mm²"},
		{1, Laid{InsulationC: 59, AmbientC: 30}, "insulation for 60 °C and more"},
		{1, Laid{}, "insulation for 60 °C and more"},
		{1, Laid{InsulationC: 100, AmbientC: 85}, "below the insulation's 85 °C"},
		{1, Laid{InsulationC: 85, AmbientC: math.NaN()}, "ambient of NaN"},
		{1, Laid{InsulationC: 85, AmbientC: -60}, "-40 °C to"},
		{1, Laid{InsulationC: 85, AmbientC: 30, Bundled: 21}, "1 to 20 wires"},
		{1, Laid{InsulationC: 85, AmbientC: 30, Bundled: -1}, "bundle of -1"},
	} {
		_, err := Wire{AreaMM2: c.areaMM2}.Ampacity(c.laid)
		notInTable(t, err, c.says)
	}
}

func TestInsulations(t *testing.T) {
	for class, want := range map[string]float64{"A": 85, "b": 100, " C ": 125, "D": 150, "F": 200, "H": 250} { // each is checked by itself
		if got, err := FindInsulation(class); err != nil || got.MostC != want {
			t.Errorf("class %s: %+v, %v", class, got, err)
		}
	}
	_, err := FindInsulation("J")
	notInTable(t, err, "A to H")
}
