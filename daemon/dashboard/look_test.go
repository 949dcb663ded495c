package dashboard

import (
	"math"
	"regexp"
	"strconv"
	"strings"
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
		sizes := regexp.MustCompile(`--`+name+`: (\d+)px;`).FindAllSubmatch(css, -1)
		if len(sizes) != 2 {
			t.Fatalf("%d sizes of the %s, want one for one bench and one for several", len(sizes), name)
		}
		for _, m := range sizes {
			px, _ := strconv.ParseFloat(string(m[1]), 64)
			if high := px * digit * mm; high < 17 {
				t.Errorf("%s: %.1f mm high, want 17", name, high)
			}
		}
	}
}

// luminance is that of WCAG 2.2 of a colour such as #18212a or #fff.
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	x := strings.TrimPrefix(colour, "#")
	if len(x) == 3 {
		x = string([]byte{x[0], x[0], x[1], x[1], x[2], x[2]})
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		n, err := strconv.ParseUint(x[2*i:2*i+2], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		c := float64(n) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

// WCAG 2.2 AA: 4.5 to 1 for text (1.4.3), 3 to 1 for shapes and the edges of fields (1.4.11).
func TestContrast(t *testing.T) {
	css, err := files.ReadFile("assets/keyturn.css")
	if err != nil {
		t.Fatal(err)
	}
	themes := regexp.MustCompile(`(?s):root \{([^}]*--ground[^}]*)\}`).FindAllSubmatch(css, -1)
	if len(themes) != 3 {
		t.Fatalf("%d themes, want dark, light and print", len(themes))
	}
	for i, theme := range themes {
		colour := map[string]float64{}
		for _, m := range regexp.MustCompile(`--([a-z]+): (#[0-9a-f]+)`).FindAllSubmatch(theme[1], -1) {
			colour[string(m[1])] = luminance(t, string(m[2]))
		}
		for _, front := range []struct {
			name string
			want float64
		}{{"text", 4.5}, {"soft", 4.5}, {"look", 4.5}, {"fault", 4.5}, {"link", 4.5}, {"live", 3}, {"edge", 3}} {
			for _, back := range []string{"ground", "panel", "cell", "livecell"} {
				// No link, fault or field stands on a live slot.
				if back == "livecell" && (front.name == "edge" || front.name == "link" || front.name == "fault") {
					continue
				}
				a, b := colour[front.name], colour[back]
				if got := (max(a, b) + 0.05) / (min(a, b) + 0.05); got < front.want {
					t.Errorf("theme %d: %s on %s has %.2f to 1, want %g", i, front.name, back, got, front.want)
				}
			}
		}
	}
}

// A rule that is not closed takes those after it with it, and no browser says so.
func TestStylesheetIsWhole(t *testing.T) {
	css, err := files.ReadFile("assets/keyturn.css")
	if err != nil {
		t.Fatal(err)
	}
	depth := 0
	for n, line := range strings.Split(string(css), "\n") {
		if depth > 0 && !strings.HasPrefix(line, " ") && !strings.HasPrefix(line, "}") && line != "" {
			t.Errorf("line %d: %q stands within a rule before it", n+1, line)
		}
		depth += strings.Count(line, "{") - strings.Count(line, "}")
	}
	if depth != 0 {
		t.Errorf("%d rules are not closed", depth)
	}
}
