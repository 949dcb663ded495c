package dashboard

import (
	"math"
	"regexp"
	"strconv"
	"testing"
)

// On the wall, number and shape of a slot are at least 17 mm high: on a 43-inch screen
// of 16:9 with 1920 px across. A digit is 0.69 em high in the lowest of the usual faces.
func TestWallIsReadFromFiveMetres(t *testing.T) {
	css, err := files.ReadFile("assets/keyturn.css")
	if err != nil {
		t.Fatal(err)
	}
	mm := 43 * 25.4 * 16 / math.Hypot(16, 9) / 1920                           // a px
	for name, digit := range map[string]float64{"number": 0.69, "shape": 1} { // each by itself
		m := regexp.MustCompile(`--` + name + `: (\d+)px;`).FindSubmatch(css)
		if m == nil {
			t.Fatalf("no size of the %s", name)
		}
		px, _ := strconv.ParseFloat(string(m[1]), 64)
		if high := px * digit * mm; high < 17 {
			t.Errorf("%s: %.1f mm high, want 17", name, high)
		}
	}
}
