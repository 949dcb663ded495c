package handbook

import (
	"math"
	"testing"
)

// The colour code of SAE J1284, procarmanuals.com "Fuse Color Code Chart".
func TestFuseColours(t *testing.T) {
	chart := map[float64]string{3: "violet", 4: "pink", 5: "tan", 7.5: "brown", 10: "red", 15: "blue", 20: "yellow", 25: "clear", 30: "green"}
	for a, want := range chart { // each is checked by itself
		for _, kind := range []FuseType{FuseC, FuseF, FuseK} {
			if got, err := ColourOfFuse(kind, a); err != nil || got.Colour != want {
				t.Errorf("%s %g A: %q, %v; want %q", kind, a, got.Colour, err, want)
			}
		}
	}
	for _, d := range FuseTypes() {
		seen := map[string]bool{}
		last := 0.0
		for _, c := range FuseColours(d.Type) {
			if c.RatingA <= last || seen[c.Colour] {
				t.Errorf("%s: %g A %s is out of order or its colour stands twice", d.Type, c.RatingA, c.Colour)
			}
			last, seen[c.Colour] = c.RatingA, true
		}
	}
	_, err := ColourOfFuse(FuseF, 12)
	notInTable(t, err, "miniature blade fuse", "12 A", "7.5, 10, 15")
	_, err = ColourOfFuse(FuseMicroThree, 10)
	notInTable(t, err, "three blades", "none for this type")
	_, err = ColourOfFuse("glass", 10)
	notInTable(t, err, `"glass"`, "8820-3-C")
}

// Sizes and the colours of torpedo fuses: thelingofpower.blogspot.com, 2007.
func TestFuseSizes(t *testing.T) {
	for kind, want := range map[FuseType][3]float64{FuseF: {10.9, 3.6, 16.3}, FuseC: {19.1, 5.1, 18.5}, FuseE: {29.2, 8.5, 34.3}, FuseK: {}} {
		d, err := kind.Describe() // each is checked by itself
		if got := [3]float64{d.LengthMM, d.ThicknessMM, d.HeightMM}; err != nil || got != want {
			t.Errorf("%s: %v, %v", kind, got, err)
		}
	}
	for a, want := range map[float64]string{5: "yellow", 8: "white", 16: "red", 25: "blue"} {
		if got, err := ColourOfFuse(FuseTorpedo, a); err != nil || got.Colour != want {
			t.Errorf("torpedo, %g A: %q, %v", a, got.Colour, err) // each is checked by itself
		}
	}
	if d, err := FuseMicroThree.Describe(); err != nil || d.Blades != 3 {
		t.Errorf("%+v, %v", d, err)
	}
}

func TestFuseRatings(t *testing.T) {
	for _, c := range []struct {
		find  func(FuseType, float64) (FuseColour, error)
		a     float64
		wantA float64
	}{
		{FuseAtMost, 15, 15},
		{FuseAtMost, 14.9, 10},
		{FuseAtMost, 1000, 40},
		{NextSmallerFuse, 15, 10},
		{NextSmallerFuse, 10, 7.5},
		{NextSmallerFuse, 12, 10},
	} {
		if got, err := c.find(FuseC, c.a); err != nil || got.RatingA != c.wantA {
			t.Errorf("%g A: got %g A, %v; want %g A", c.a, got.RatingA, err, c.wantA)
		}
	}
	_, err := FuseAtMost(FuseC, 0.5)
	notInTable(t, err, "0.5 A or less")
	_, err = FuseAtMost(FuseC, math.NaN())
	notInTable(t, err)
	_, err = NextSmallerFuse(FuseC, 1)
	notInTable(t, err, "less than 1 A")
}

// A table handed out is the caller's.
func TestTablesCannotBeChanged(t *testing.T) {
	FuseColours(FuseC)[0].Colour = "gold"
	FuseResistances(FuseC)[0].ColdMilliOhm = 0
	FuseGates(FuseC)[0].MinS = 0
	Terminals()[0].Words = ""
	if FuseColours(FuseC)[0].Colour != "black" || FuseResistances(FuseC)[0].ColdMilliOhm != 123 || FuseGates(FuseC)[0].MinS != 360000 || Terminals()[0].Words == "" {
		t.Error("a caller changed a table")
	}
}

// Worked examples 6 and 7 of EXAMPLES.md. Published pairs of drop and current: mvwautotechniek.nl "voltage drop over
// fuses"; MACS Service Reports, June 2017, figure 13.
func TestFuseCurrentPublishedPairs(t *testing.T) {
	for _, c := range []struct {
		kind        FuseType
		ratingA, mV float64
		wantMA      float64
	}{
		{FuseC, 10, 1.0, 130},
		{FuseF, 15, 0.1, 22},
		{FuseF, 15, 1.0, 218},
	} {
		r, err := ResistanceOfFuse(c.kind, c.ratingA)
		if err != nil {
			t.Fatal(err)
		}
		got, err := r.Current(Drop{MV: c.mV})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "mA", got.A*1e3, c.wantMA, 0.5)
		if got.LowA*1e3 > c.wantMA*0.85 || got.HighA*1e3 < c.wantMA*1.2 || got.LowA <= 0 {
			t.Errorf("%g mA: range %.4g to %.4g A is not that of the tolerance", c.wantMA, got.LowA, got.HighA)
		}
		if r.Source.Standing != WorkedExample {
			t.Errorf("%g A: %s", c.ratingA, r.Source)
		}
	}
}

func TestFuseCurrentOverTheTable(t *testing.T) {
	for _, kind := range []FuseType{FuseC, FuseF} {
		for _, r := range FuseResistances(kind) {
			last := FuseCurrent{A: -1}
			full := r.DropMV
			if full == 0 {
				full = r.ColdMilliOhm * r.RatingA * (1 + hotRise)
			}
			for parts := range 21 {
				c, err := r.Current(Drop{MV: full * (float64(parts) / 20)})
				if err != nil || c.A <= last.A || c.LowA > c.A || c.HighA < c.A || c.LowA < last.LowA {
					t.Fatalf("%s %g A at %d/20 of its drop: %+v, %v after %+v", kind, r.RatingA, parts, c, err, last)
				}
				last = c
			}
			near(t, "share of the rating", last.A/r.RatingA, 1, 1e-9)
			_, err := r.Current(Drop{MV: r.ColdMilliOhm * r.RatingA * 1.6})
			notInTable(t, err, "up to its rating")
		}
	}
}

// A strip is warmed step by step until its heat and its rise agree: resistance by
// 0.4 % a kelvin (zinc, value from memory). A typical fuse has the current that is
// told, and any within tolerance lies in the range.
func TestFuseCurrentOfAWarmingStrip(t *testing.T) {
	for _, r := range FuseResistances(FuseC) {
		typical := 1 + hotRise
		if r.DropMV > 0 {
			typical = r.DropMV / (r.ColdMilliOhm * r.RatingA)
		}
		for _, off := range []float64{0.82, 1, 1.18} {
			for _, hot := range []float64{1.3, typical, 1.49} {
				cold := r.ColdMilliOhm * off
				// kelvin per mW, such that the strip is hot times its cold resistance at its rating
				perMW := (hot - 1) / 0.004 / (r.RatingA * r.RatingA * cold * hot)
				for share := 0.02; share < 0.8; share += 0.06 {
					i, milliOhm := share*r.RatingA, cold
					for range 200 {
						milliOhm = cold * (1 + 0.004*perMW*i*i*milliOhm)
					}
					c, err := r.Current(Drop{MV: i * milliOhm, UMV: 0.01})
					if err != nil || i < c.LowA || i > c.HighA {
						t.Errorf("%g A fuse, %g of its cold resistance, %g A: range %.4g to %.4g A, %v", r.RatingA, off, i, c.LowA, c.HighA, err)
					}
					if off == 1 && hot == typical {
						near(t, "typical A", c.A, i, i*1e-6)
					}
				}
			}
		}
	}
}

func TestFuseCurrentRefuses(t *testing.T) {
	r := FuseResistances(FuseC)[0]
	for _, d := range []Drop{{-1, 0}, {1, -1}, {math.NaN(), 0}, {1, math.NaN()}, {math.Inf(1), 0}, {0, math.Inf(1)}} {
		if c, err := r.Current(d); err == nil {
			t.Errorf("%+v: %+v", d, c)
		}
	}
	_, err := ResistanceOfFuse(FuseE, 40)
	notInTable(t, err, "large blade fuse", "none for this type")
	_, err = ResistanceOfFuse(FuseF, 40)
	notInTable(t, err, "40 A", "25, 30 A")
}

// A larger rating is a thicker strip: less resistance, and a smaller product of
// rating and resistance.
func TestFuseResistancesFall(t *testing.T) {
	for _, kind := range []FuseType{FuseC, FuseF} {
		rows := FuseResistances(kind)
		for i, r := range rows {
			if i > 0 && (r.ColdMilliOhm >= rows[i-1].ColdMilliOhm || r.ColdMilliOhm*r.RatingA > rows[i-1].ColdMilliOhm*rows[i-1].RatingA*1.03) {
				t.Errorf("%s: %g A has %g mΩ after %g", kind, r.RatingA, r.ColdMilliOhm, rows[i-1].ColdMilliOhm)
			}
			if _, err := ColourOfFuse(kind, r.RatingA); err != nil {
				t.Error(err)
			}
		}
	}
}

// A miniature fuse is a medium one with a shorter strip.
func TestMiniatureFusesAgainstMediumOnes(t *testing.T) {
	for _, r := range FuseResistances(FuseF) {
		medium, err := ResistanceOfFuse(FuseC, r.RatingA)
		if share := r.ColdMilliOhm / medium.ColdMilliOhm; err != nil || share < 0.92 || share > 1 {
			t.Errorf("%g A: %.3f of a medium fuse's resistance, %v", r.RatingA, share, err)
		}
	}
}

// What stands for a fuse without a row of its own when hot: the mean rise of type
// C, and a round figure just above its largest.
func TestHotRiseIsThatOfTypeC(t *testing.T) {
	sum, n, most := 0.0, 0.0, 0.0
	for _, r := range FuseResistances(FuseC) {
		if r.DropMV > 0 {
			rise := r.DropMV/(r.ColdMilliOhm*r.RatingA) - 1
			sum, n, most = sum+rise, n+1, max(most, rise)
		}
	}
	near(t, "mean rise", hotRise, sum/n, 0.01)
	near(t, "largest rise", hotRiseMost, most+0.025, 0.025)
}

func TestFuseOpening(t *testing.T) {
	for _, c := range []struct{ percent, minS, maxS float64 }{
		{0, 360000, math.Inf(1)},
		{100, 360000, math.Inf(1)},
		{110, 360000, math.Inf(1)},
		{120, 0.75, math.Inf(1)},
		{135, 0.75, 600},
		{150, 0.25, 600},
		{160, 0.25, 50},
		{180, 0.15, 50},
		{200, 0.15, 5},
		{300, 0.04, 5},
		{350, 0.04, 0.5},
		{600, 0.02, 0.1},
		{1000, 0, 0.1},
	} {
		g, err := FuseOpening(FuseF, c.percent)
		if err != nil || g.MinS != c.minS || g.MaxS != c.maxS || g.Percent != c.percent {
			t.Errorf("%g %%: %+v, %v; want %g to %g s", c.percent, g, err, c.minS, c.maxS)
		}
		if g.MinSource.Document == "" || g.MaxSource.Document == "" {
			t.Errorf("%g %%: no source", c.percent)
		}
	}
	for _, percent := range []float64{-1, math.NaN()} {
		_, err := FuseOpening(FuseC, percent)
		notInTable(t, err, "from 0 % up")
	}
	_, err := FuseOpening(FuseE, 200)
	notInTable(t, err, "types C and F")
	_, err = FuseOpening("glass", 200)
	notInTable(t, err, "fuse types")
}

// ISO 16750-2, 4.6.1: the momentary drop of 100 ms stands for a fuse that melts in
// a parallel circuit, which a dead short does at six times its rating.
func TestFuseGatesAgreeWithTheMomentaryDrop(t *testing.T) {
	g, err := FuseOpening(FuseC, 600)
	if err != nil || g.MaxS != 0.1 {
		t.Errorf("%+v, %v", g, err)
	}
	rows := FuseGates(FuseC)
	for i, g := range rows {
		if g.MinS >= g.MaxS || i > 0 && (g.Percent <= rows[i-1].Percent || g.MinS >= rows[i-1].MinS || g.MaxS >= rows[i-1].MaxS) {
			t.Errorf("row %d: %+v", i, g)
		}
	}
}
