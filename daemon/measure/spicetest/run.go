// Package spicetest runs ngspice as an outside judge of circuits. It is a test aid.
package spicetest

import (
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
)

// Run runs a deck of testdata/spice, from a package two folders down, and returns what
// its .meas lines say, and the folder that holds what it wrote.
func Run(t *testing.T, deck string) (measured map[string]float64, dir string) {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("../../testdata/spice", deck))
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command("ngspice", "-b", path)
	c.Dir = t.TempDir()
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("ngspice (Debian package ngspice): %v\n%s", err, out)
	}
	measured = map[string]float64{}
	for _, m := range regexp.MustCompile(`(?m)^(\w+)\s+=\s+([-+0-9.e]+)`).FindAllStringSubmatch(string(out), -1) {
		v, err := strconv.ParseFloat(m[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		measured[m[1]] = v
	}
	return measured, c.Dir
}
