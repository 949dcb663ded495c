package handbook

import (
	"math"
	"strconv"
	"strings"
	"testing"
)

func wire(t *testing.T, s WireStandard, size string) Wire {
	t.Helper()
	w, err := FindWire(s, size)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func TestFindWire(t *testing.T) {
	for _, size := range []string{"2.5 mm²", "2.5", " 2.5mm² "} {
		if w := wire(t, ISO6722, size); w.AreaMM2 != 2.5 {
			t.Errorf("%q: %+v", size, w)
		}
	}
	if w := wire(t, AWG, "1/0"); w.Size != "AWG 1/0" || wire(t, AWG, "AWG 14").AreaMM2 != 2.081 {
		t.Errorf("%+v", w)
	}
	_, err := FindWire(ISO6722, "7")
	notInTable(t, err, `"7"`, "6 mm², 8 mm²")
	_, err = FindWire("rope", "7")
	notInTable(t, err, "IEC 60228 class 5; ")
}

func TestThickerWiresHaveLessResistance(t *testing.T) {
	for _, s := range WireStandards() {
		all := Wires(s)
		for i := 1; i < len(all); i++ {
			if all[i].AreaMM2 <= all[i-1].AreaMM2 || all[i].MilliOhmPerM >= all[i-1].MilliOhmPerM {
				t.Errorf("%s: %s after %s", s, all[i].Size, all[i-1].Size)
			}
		}
	}
}

// Resistivity of annealed copper, IEC 60028: 1/58 Ω·mm²/m at 20 °C. The largest
// allowed resistances lie above it by what stranding, tin and tolerance take.
func TestResistancesAgainstResistivity(t *testing.T) {
	for _, s := range WireStandards() {
		for _, w := range Wires(s) {
			ratio := w.MilliOhmPerM * w.AreaMM2 / (1000 / 58.0)
			low, high := 1.0, 1.2
			if s == AWG { // one solid strand of pure copper
				low, high = 0.999, 1.001
			}
			if ratio < low || ratio > high {
				t.Errorf("%s, %s: %.4f times pure copper", s, w.Size, ratio)
			}
		}
	}
}

// ISO 6722 allows a little more than IEC 60228 class 2, and less than class 5.
func TestRoadVehicleCableBetweenTheClasses(t *testing.T) {
	compared := 0
	for _, w := range Wires(ISO6722) {
		stiff, err := FindWire(IEC60228Class2, w.Size)
		if err != nil {
			continue
		}
		compared++
		if ratio := w.MilliOhmPerM / stiff.MilliOhmPerM; ratio < 0.994 || ratio > 1.05 || w.MilliOhmPerM >= wire(t, IEC60228Class5, w.Size).MilliOhmPerM {
			t.Errorf("%s: %g mΩ/m, %.3f times class 2", w.Size, w.MilliOhmPerM, ratio)
		}
		if plain, tinned := wire(t, IEC60228Class5, w.Size), wire(t, IEC60228Class5Tinned, w.Size); tinned.MilliOhmPerM <= plain.MilliOhmPerM {
			t.Errorf("%s: tinned %g mΩ/m, plain %g", w.Size, tinned.MilliOhmPerM, plain.MilliOhmPerM)
		}
	}
	if compared < 10 {
		t.Errorf("%d sizes compared", compared)
	}
}

// ASTM B258: d = 0.127 mm · 92^((36 - n)/39), 1/0 being n = 0 and 2/0 n = -1.
func TestGaugeDiameters(t *testing.T) {
	for _, w := range Wires(AWG) {
		name, zeros := strings.CutSuffix(strings.TrimPrefix(w.Size, "AWG "), "/0")
		n, err := strconv.Atoi(name)
		if err != nil {
			t.Fatal(err)
		}
		if zeros {
			n = 1 - n
		}
		d := 0.127 * math.Pow(92, float64(36-n)/39)
		near(t, w.Size+" mm²", w.AreaMM2, math.Pi/4*d*d, w.AreaMM2*0.0005)
	}
}

// Worked examples 1 to 4 of EXAMPLES.md: a resistance of a table, a length and a
// current, by Ohm's law, to the digits as they were worked out by hand. The resistances
// are those of IEC 60228 class 5 (7.98 mΩ/m, three agreeing pages), ISO 6722-1 (7.60 mΩ/m,
// value from memory) and the gauge table of NBS Handbook 100 and ASTM B258 (2.525 Ω in
// 1000 ft); the coefficient is that of IEC 60028 (0.00393 a kelvin).
func TestDropWorkedExamples(t *testing.T) {
	for _, c := range []struct {
		what  string
		w     Wire
		run   Run
		wantV string
	}{
		{"2.5 mm² class 5, 5 m out and back, 10 A", wire(t, IEC60228Class5, "2.5"), Run{5, ReturnInWire, 10, 20}, "0.798"},
		{"the same in the body", wire(t, IEC60228Class5, "2.5"), Run{5, ReturnInBody, 10, 20}, "0.399"},
		{"2.5 mm² ISO 6722", wire(t, ISO6722, "2.5"), Run{5, ReturnInWire, 10, 20}, "0.760"},
		{"AWG 14, a loop of 40 ft, 15 A", wire(t, AWG, "14"), Run{20 * 0.3048, ReturnInWire, 15, 20}, "1.515"},
		{"2.5 mm² class 5 at 60 °C", wire(t, IEC60228Class5, "2.5"), Run{5, ReturnInWire, 10, 60}, "0.9234"},
	} {
		got, err := c.w.DropV(c.run)
		if err != nil {
			t.Errorf("%s: %v", c.what, err)
		}
		_, digits, _ := strings.Cut(c.wantV, ".")
		if text := strconv.FormatFloat(got, 'f', len(digits), 64); text != c.wantV {
			t.Errorf("%s: %s V, want %s", c.what, text, c.wantV)
		}
	}
	drop, err := wire(t, IEC60228Class5, "2.5").DropV(Run{5, ReturnInWire, 10, 20})
	if text := strconv.FormatFloat(100*drop/12, 'f', 2, 64); err != nil || text != "6.65" {
		t.Errorf("%s %% of 12 V, %v, want 6.65", text, err)
	}
}

// The factors printed by uecables.com beside IEC 60228, which bring a measured
// resistance to 20 °C, and that standard's own 254.5/(234.5 + t).
func TestWarmCopperAgainstPrintedFactors(t *testing.T) {
	w := Wire{Size: "1 Ω", MilliOhmPerM: 1000}
	for c, printed := range map[float64]float64{5: 1.064, 10: 1.042, 15: 1.020, 20: 1, 25: 0.980, 30: 0.962, 40: 0.926, 50: 0.893, 60: 0.862, 70: 0.833, 80: 0.806, 90: 0.781, 100: 0.758} {
		milliOhm, err := w.MilliOhmPerMAt(c) // each is checked by itself
		if err != nil {
			t.Fatal(err)
		}
		near(t, "printed factor", 1000/milliOhm, printed, printed*0.005)
		near(t, "exact factor", 1000/milliOhm, 254.5/(234.5+c), 1e-4)
	}
	for _, c := range []float64{-41, 201, math.NaN()} {
		_, err := w.MilliOhmPerMAt(c)
		notInTable(t, err, "-40 to 200 °C")
	}
}

func TestDropRefuses(t *testing.T) {
	w := wire(t, ISO6722, "1")
	for _, r := range []Run{{0, ReturnInBody, 1, 20}, {-1, ReturnInBody, 1, 20}, {1, 0, 1, 20}, {1, 7, 1, 20}, {1, ReturnInBody, -1, 20}, {1, ReturnInBody, math.NaN(), 20}, {1, ReturnInBody, 1, 999}} {
		if v, err := w.DropV(r); err == nil {
			t.Errorf("%+v: %g V", r, v)
		}
		if c, err := SmallestWire(ISO6722, r, Laid{InsulationC: 85}, 1); err == nil {
			t.Errorf("%+v: %+v", r, c)
		}
	}
}

// The wire found holds both limits, and the next thinner one does not.
func TestSmallestWire(t *testing.T) {
	laid := Laid{InsulationC: 105, AmbientC: 50, Bundled: 2}
	found := 0
	for _, s := range WireStandards() {
		for _, length := range []float64{0.2, 1, 4, 9} {
			for _, a := range []float64{0.5, 5, 12, 30, 70} {
				run := Run{length, ReturnInWire, a, 80}
				c, err := SmallestWire(s, run, laid, 0.36)
				if err != nil {
					notInTable(t, err, "none above")
					continue
				}
				found++
				if c.DropV > 0.36 || c.Ampacity.A < a {
					t.Errorf("%s, %+v: %+v", s, run, c)
				}
				thinner := -1
				for i, w := range Wires(s) {
					if w.AreaMM2 < c.Wire.AreaMM2 {
						thinner = i
					}
				}
				if thinner < 0 || Wires(s)[thinner].AreaMM2 < 0.75 {
					continue
				}
				w := Wires(s)[thinner]
				drop, _ := w.DropV(run)
				if ampacity, err := w.Ampacity(laid); err != nil || drop <= 0.36 && ampacity.A >= a {
					t.Errorf("%s, %+v: %s would do", s, run, w.Size)
				}
			}
		}
	}
	if found < 50 {
		t.Errorf("%d wires found", found)
	}
	_, err := SmallestWire("rope", Run{1, ReturnInBody, 1, 20}, laid, 1)
	notInTable(t, err, `"rope"`)
	_, err = SmallestWire(ISO6722, Run{100, ReturnInWire, 100, 20}, laid, 0.1)
	notInTable(t, err, "none above 35 mm²")
}
