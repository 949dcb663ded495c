package handbook

import (
	"errors"
	"reflect"
	"strings"
	"testing"
)

// every holds each table as a whole.
func every() map[string]any {
	all := map[string]any{
		"fuse types": FuseTypes(), "fuse tolerance": FuseToleranceSource(), "copper": CopperSource(),
		"insulations": Insulations(), "terminals": Terminals(), "starting profiles": StartingProfiles(),
		"volt drop limits": VoltDropLimits(), "add-on shares": AddOnShares(), "usual draw": []DrawLimit{UsualDraw()}, "reserve": ReserveSource(),
	}
	for _, d := range FuseTypes() {
		all["colours "+string(d.Type)] = FuseColours(d.Type)
		all["resistances "+string(d.Type)] = FuseResistances(d.Type)
		all["gates "+string(d.Type)] = FuseGates(d.Type)
	}
	for _, s := range WireStandards() {
		all["wires "+string(s)] = Wires(s)
	}
	ampacity, _ := Wires(ISO6722)[10].Ampacity(Laid{InsulationC: 85, AmbientC: 20})
	loadTest, _ := LoadTest(0)
	flooded, _ := StateOfCharge(Flooded, Resting{12.4, 20})
	agm, _ := StateOfCharge(AGM, Resting{12.4, 20})
	all["ampacity"], all["load test"], all["flooded"], all["agm"] = ampacity, loadTest, flooded, agm
	return all
}

// sources calls back for each Source within a value, and counts them.
func sources(v reflect.Value, visit func(Source)) int {
	if s, ok := v.Interface().(Source); ok {
		visit(s)
		return 1
	}
	n := 0
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			n += sources(v.Field(i), visit)
		}
	case reflect.Slice:
		for i := range v.Len() {
			row := sources(v.Index(i), visit)
			if row == 0 {
				return 0
			}
			n += row
		}
	}
	return n
}

func TestEveryValueHasASource(t *testing.T) {
	// Makers whose papers were read: they stand in comments, never on a screen.
	makers := []string{"kia", "hyundai", "suzuki", "saab", "honda", "bmw", "ford", "polaris", "cub", "tyco", "perkins"}
	for name, table := range every() { // each is checked by itself
		n := sources(reflect.ValueOf(table), func(s Source) {
			switch s.Standing {
			case Published, WorkedExample, FromMemory:
				if s.Document == "" {
					t.Errorf("%s: %q names no document", name, s)
				}
			case CommonPractice:
			default:
				t.Errorf("%s: standing %q", name, s.Standing)
			}
			for _, word := range strings.FieldsFunc(strings.ToLower(s.String()), func(r rune) bool { return r < 'a' || r > 'z' }) {
				for _, maker := range makers {
					if word == maker {
						t.Errorf("%s: %q names a maker", name, s)
					}
				}
			}
		})
		if v := reflect.ValueOf(table); n == 0 && (v.Kind() != reflect.Slice || v.Len() > 0) {
			t.Errorf("%s: a value has no source", name)
		}
	}
}

func TestSourceInWords(t *testing.T) {
	for _, c := range []struct {
		s    Source
		want string
	}{
		{FuseToleranceSource(), "common practice, no published source"},
		{roadVehicle, "ISO 6722-1 (value from memory)"},
		{startingClause, "ISO 16750-2:2023, 4.6.3, as given by a public catalogue of standards"},
		{builderGuide, "a vehicle maker's guideline for body builders, 2004 (common practice)"},
		{macs, "MACS Service Reports, June 2017, figure 13 (worked example)"},
	} {
		if got := c.s.String(); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

// notInTable wants an error that says what was asked and what there is.
func notInTable(t *testing.T, err error, words ...string) {
	t.Helper()
	var e *NotInTable
	if !errors.As(err, &e) {
		t.Errorf("got %v, want a question that the table does not answer", err)
		return
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q does not say %q", err, w)
		}
	}
}

// near wants a figure within a margin.
func near(t *testing.T, what string, got, want, margin float64) {
	t.Helper()
	if !(got >= want-margin && got <= want+margin) {
		t.Errorf("%s: got %.6g, want %.6g ± %.2g", what, got, want, margin)
	}
}
