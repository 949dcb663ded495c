package handbook

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
)

// ngspice's own resistor with a temperature coefficient is the reference: a
// current through out and back, each a resistor at 20 °C that the simulator warms.
func TestWarmDropAgreesWithSpice(t *testing.T) {
	for _, s := range []WireStandard{ISO6722, IEC60228Class5, AWG} {
		w := Wires(s)[len(Wires(s))/2]
		for _, c := range []float64{-40, 20, 60, 105} {
			deck := fmt.Sprintf("wire\ni1 0 feed 10\nrout feed load %[1]g tc1=0.00393\nrback load 0 %[1]g tc1=0.00393\n.options tnom=20\n.temp %[2]g\n.op\n.print op v(feed)\n.end\n", 5*w.MilliOhmPerM*1e-3, c)
			got, err := w.DropV(Run{5, ReturnInWire, 10, c})
			if err != nil {
				t.Fatal(err)
			}
			want := spiceV(t, deck)
			near(t, fmt.Sprintf("%s at %g °C, V", w.Size, c), got, want, 2e-6*want)
		}
	}
}

// spiceV runs a deck that prints one voltage.
func spiceV(t *testing.T, deck string) float64 {
	t.Helper()
	path := filepath.Join(t.TempDir(), "wire.cir")
	if err := os.WriteFile(path, []byte(deck), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("ngspice", "-b", path).CombinedOutput()
	if err != nil {
		t.Fatalf("ngspice (Debian package ngspice): %v\n%s", err, out)
	}
	m := regexp.MustCompile(`(?m)^0\s+([-+0-9.e]+)`).FindSubmatch(out)
	if m == nil {
		t.Fatalf("no voltage in\n%s", out)
	}
	v, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
