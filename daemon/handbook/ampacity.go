package handbook

import (
	"fmt"
	"math"
	"strings"
)

// Insulation is a class of road-vehicle cable by what its insulation bears.
type Insulation struct {
	Class  string
	MostC  float64 // of the conductor, for 3000 h
	Source Source
}

// Insulations are the classes of ISO 6722-1, coolest first; all bear -40 °C.
func Insulations() []Insulation {
	var out []Insulation
	for i, c := range []float64{85, 100, 125, 150, 175, 200, 225, 250} {
		out = append(out, Insulation{string(rune('A' + i)), c, roadVehicle})
	}
	return out
}

// FindInsulation is a class by its letter, A to H.
func FindInsulation(class string) (Insulation, error) {
	for _, i := range Insulations() {
		if i.Class == strings.ToUpper(strings.TrimSpace(class)) {
			return i, nil
		}
	}
	return Insulation{}, &NotInTable{"classes of insulation, ISO 6722-1", fmt.Sprintf("%q", class), "A to H"}
}

// Laid is where a wire lies.
type Laid struct {
	InsulationC float64 // the most its insulation bears; 60 where the wire is not known
	AmbientC    float64 // of the air around it
	// Bundled is how many loaded wires lie together, this one included; 0 and 1 mean
	// that it lies alone.
	Bundled int
}

// Ampacity is what a wire may carry continuously.
type Ampacity struct {
	A          float64
	ColumnA    float64 // before the two factors
	ColumnC    float64 // the table's insulation temperature
	AmbientBy  float64 // factor for the ambient
	BundledBy  float64 // factor for the bundle
	Source     Source  // of ColumnA
	AmbientSrc Source
	BundledSrc Source
}

// The table of ISO 10133 is for direct current up to 50 V in small craft: single
// conductors in air of 30 °C. There is no such table in the standards of road
// vehicles that were at hand.
const ampacityAmbientC = 30

var (
	smallCraft = Source{Document: "ISO 10133", Place: "table A.1", Standing: FromMemory}
	// The square-root form for a current at another ambient; NFPA 70 prints it, the
	// tables of IEC 60364-5-52 (B.52.14) follow it.
	ambientRule = Source{Document: "NFPA 70", Place: "ambient temperature correction equation of 310.15", Standing: FromMemory}
	bundleTable = Source{Document: "IEC 60364-5-52", Place: "table B.52.17, bunched", Standing: FromMemory}

	ampacityColumnsC = [6]float64{60, 70, 85, 105, 125, 200}
	ampacityRows     = []struct {
		areaMM2 float64
		a       [6]float64
	}{
		{0.75, [6]float64{8, 10, 12, 16, 20, 25}},
		{1, [6]float64{12, 14, 18, 20, 25, 35}},
		{1.5, [6]float64{16, 18, 21, 25, 30, 40}},
		{2.5, [6]float64{20, 25, 30, 35, 40, 45}},
		{4, [6]float64{30, 35, 40, 45, 50, 55}},
		{6, [6]float64{40, 45, 50, 60, 70, 75}},
		{10, [6]float64{60, 65, 70, 90, 100, 120}},
		{16, [6]float64{80, 90, 100, 130, 150, 170}},
		{25, [6]float64{110, 120, 140, 170, 185, 200}},
		{35, [6]float64{140, 160, 185, 210, 225, 240}},
		{50, [6]float64{180, 210, 230, 270, 300, 325}},
	}
	bundles = []struct {
		wires  int
		factor float64
	}{
		{1, 1}, {2, 0.80}, {3, 0.70}, {4, 0.65}, {5, 0.60}, {6, 0.57}, {7, 0.54}, {8, 0.52}, {9, 0.50}, {12, 0.45}, {16, 0.41}, {20, 0.38},
	}
)

func leastAreaMM2() float64 { return ampacityRows[0].areaMM2 }

// Ampacity is what a wire of 0.75 mm² and more may carry, laid so, from -40 °C
// ambient to below the column's temperature.
//
// Nothing is interpolated: area and insulation go down to the table's next row
// and column, the bundle up. Below 30 °C nothing is gained; above it the current
// falls with √((Tc - Ta)/(Tc - 30)), Tc the column's temperature, for the heat a
// wire may shed falls with its rise and the heat it makes with the current's
// square.
func (w Wire) Ampacity(l Laid) (Ampacity, error) {
	row, column := -1, -1
	for i, r := range ampacityRows {
		if r.areaMM2 <= w.AreaMM2 {
			row = i
		}
	}
	for i, c := range ampacityColumnsC {
		if c <= l.InsulationC {
			column = i
		}
	}
	switch {
	case row < 0:
		return Ampacity{}, noAmpacity(fmt.Sprintf("%g mm²", w.AreaMM2), fmt.Sprintf("%g mm² and more", leastAreaMM2()))
	case column < 0:
		return Ampacity{}, noAmpacity(fmt.Sprintf("insulation for %g °C", l.InsulationC), fmt.Sprintf("insulation for %g °C and more", ampacityColumnsC[0]))
	}
	columnC := ampacityColumnsC[column]
	if !(l.AmbientC >= conductorLeastC && l.AmbientC < columnC) {
		return Ampacity{}, noAmpacity(fmt.Sprintf("an ambient of %g °C", l.AmbientC), fmt.Sprintf("%d °C to below the insulation's %g °C", conductorLeastC, columnC))
	}
	bundled, err := bundleFactor(l.Bundled)
	if err != nil {
		return Ampacity{}, err
	}
	a := Ampacity{
		ColumnA: ampacityRows[row].a[column], ColumnC: columnC, Source: smallCraft,
		AmbientBy: math.Sqrt((columnC - max(l.AmbientC, ampacityAmbientC)) / (columnC - ampacityAmbientC)), AmbientSrc: ambientRule,
		BundledBy: bundled, BundledSrc: bundleTable,
	}
	a.A = a.ColumnA * a.AmbientBy * a.BundledBy
	return a, nil
}

func bundleFactor(wires int) (float64, error) {
	for _, b := range bundles {
		if wires >= 0 && wires <= b.wires {
			return b.factor, nil
		}
	}
	return 0, noAmpacity(fmt.Sprintf("a bundle of %d", wires), "1 to 20 wires")
}

func noAmpacity(asked, has string) error { return &NotInTable{"ampacity", asked, has} }
