package handbook

import (
	"fmt"
	"strings"
)

// WireStandard is a table of copper conductors. Its text is meant for files.
type WireStandard string

// The tables of conductors.
const (
	ISO6722              WireStandard = "ISO 6722"               // road-vehicle cable
	IEC60228Class2       WireStandard = "IEC 60228 class 2"      // stiff; class 1 (solid) has the same values
	IEC60228Class5       WireStandard = "IEC 60228 class 5"      // flexible
	IEC60228Class5Tinned WireStandard = "IEC 60228 class 5, tin" // flexible, tinned
	AWG                  WireStandard = "AWG"                    // American wire gauge
)

// WireStandards are all tables of conductors.
func WireStandards() []WireStandard {
	return []WireStandard{ISO6722, IEC60228Class2, IEC60228Class5, IEC60228Class5Tinned, AWG}
}

// Wire is one size of copper conductor.
type Wire struct {
	Size    string // as it is printed: "2.5 mm²", "AWG 14"
	AreaMM2 float64
	// MilliOhmPerM is one metre at 20 °C: the most that the standard allows; for AWG
	// that of one solid strand, which a stranded wire exceeds by some per cent.
	MilliOhmPerM float64
	Source       Source
}

var (
	roadVehicle = Source{Document: "ISO 6722-1", Standing: FromMemory}
	// mycableengineering.com, kabelmetal-indonesia.com and uecables.com agree.
	cableTables = Source{Document: "IEC 60228", ReadIn: "three agreeing tables of cable makers", Standing: Published}
	// hyperphysics.phy-astr.gsu.edu and cirris.com; areas after ASTM B258.
	wireTables = Source{Document: "NBS Handbook 100", ReadIn: "a university's wire gauge table", Standing: Published}
	wireMemory = Source{Document: "NBS Handbook 100", Standing: FromMemory}

	roadVehicleWires = [][2]float64{ // mm², mΩ/m
		{0.22, 84.8}, {0.35, 54.4}, {0.5, 37.1}, {0.75, 24.7}, {1, 18.5}, {1.25, 14.9}, {1.5, 12.7},
		{2, 9.42}, {2.5, 7.60}, {3, 6.15}, {4, 4.71}, {5, 3.94}, {6, 3.14}, {8, 2.38}, {10, 1.82},
		{16, 1.16}, {20, 0.955}, {25, 0.743}, {35, 0.527},
	}
	cableWires = [][4]float64{ // mm²; mΩ/m of classes 1 and 2, class 5, class 5 tinned
		{0.5, 36.0, 39.0, 40.1}, {0.75, 24.5, 26.0, 26.7}, {1, 18.1, 19.5, 20.0}, {1.5, 12.1, 13.3, 13.7},
		{2.5, 7.41, 7.98, 8.21}, {4, 4.61, 4.95, 5.09}, {6, 3.08, 3.30, 3.39}, {10, 1.83, 1.91, 1.95},
		{16, 1.15, 1.21, 1.24}, {25, 0.727, 0.780, 0.795}, {35, 0.524, 0.554, 0.565},
	}
	gaugeWires = []struct {
		name              string
		areaMM2, ohm1000F float64 // Ω per 1000 ft, as printed
		source            Source
	}{
		{"22", 0.3255, 16.14, wireTables},
		{"20", 0.5176, 10.15, wireTables},
		{"18", 0.8230, 6.385, wireTables},
		{"16", 1.309, 4.016, wireTables},
		{"14", 2.081, 2.525, wireTables},
		{"12", 3.309, 1.588, wireTables},
		{"10", 5.261, 0.9989, wireTables},
		{"8", 8.366, 0.6282, wireTables},
		{"6", 13.30, 0.3951, wireTables},
		{"4", 21.15, 0.2485, wireTables},
		{"2", 33.62, 0.1563, wireMemory},
		{"1", 42.41, 0.1239, wireMemory},
		{"1/0", 53.49, 0.09827, wireMemory},
		{"2/0", 67.43, 0.07793, wireMemory},
	}
)

const feetPerMetre = 1 / 0.3048

// Wires are the conductors of a standard, thinnest first; none for a standard that
// is not listed.
func Wires(s WireStandard) []Wire {
	var out []Wire
	metric := func(areaMM2, milliOhmPerM float64, source Source) {
		out = append(out, Wire{fmt.Sprintf("%g mm²", areaMM2), areaMM2, milliOhmPerM, source})
	}
	switch s {
	case ISO6722:
		for _, r := range roadVehicleWires {
			metric(r[0], r[1], roadVehicle)
		}
	case AWG:
		for _, r := range gaugeWires {
			out = append(out, Wire{"AWG " + r.name, r.areaMM2, r.ohm1000F * feetPerMetre, r.source})
		}
	case IEC60228Class2, IEC60228Class5, IEC60228Class5Tinned:
		column := map[WireStandard]int{IEC60228Class2: 1, IEC60228Class5: 2, IEC60228Class5Tinned: 3}[s]
		for _, r := range cableWires {
			metric(r[0], r[column], cableTables)
		}
	}
	return out
}

// FindWire is the conductor of a size: "2.5 mm²" or "2.5", "AWG 14" or "14".
func FindWire(s WireStandard, size string) (Wire, error) {
	bare := func(text string) string {
		return strings.TrimSpace(strings.TrimPrefix(strings.TrimSuffix(strings.TrimSpace(text), "mm²"), "AWG"))
	}
	var has []string
	for _, w := range Wires(s) {
		if bare(w.Size) == bare(size) {
			return w, nil
		}
		has = append(has, w.Size)
	}
	if has == nil {
		return Wire{}, noStandard(s)
	}
	return Wire{}, &NotInTable{"conductors, " + string(s), fmt.Sprintf("%q", size), strings.Join(has, ", ")}
}

func noStandard(s WireStandard) error {
	var has []string
	for _, s := range WireStandards() {
		has = append(has, string(s))
	}
	return &NotInTable{"tables of conductors", fmt.Sprintf("%q", s), strings.Join(has, "; ")}
}
