package parts

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"keyturn/daemon/config"
	"keyturn/daemon/measure"
)

// bench writes the training bench with a calibration file named, and reads it.
func bench(t *testing.T) (name string, b config.Bench) {
	t.Helper()
	text, err := os.ReadFile("../../../testdata/benches/training.toml")
	if err != nil {
		t.Fatal(err)
	}
	name = filepath.Join(t.TempDir(), "bench.toml")
	if err := os.WriteFile(name, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if b, err = config.ParseBench(text, Families()); err != nil {
		t.Fatal(err)
	}
	return name, b
}

func TestCalibrationIsKeptWithItsInput(t *testing.T) {
	name, b := bench(t)
	c, err := OpenCalibration(name, &b)
	if err != nil || c.Path == "" {
		t.Fatalf("a file that is not there yet: %v, path %q", err, c.Path)
	}
	c.Content.Set(config.LeadCalibration{Name: "lead-05", Chip: "adc-2", Input: 0,
		Calibration: config.Calibration{Gain: 13.1, OffsetV: 0.003, UGain: 0.004, UOffsetV: 0.001, Date: "2026-11-02"}})
	if err := c.Save(); err != nil {
		t.Fatal(err)
	}
	learned := make([]measure.TimeConstants, len(b.Leads))
	learned[4] = measure.TimeConstants{Driven: 1401 * time.Microsecond, Floating: 1515 * time.Microsecond, UDriven: 0.0007, UFloating: 0.002, Edges: 12}
	if err := c.Learn(b, learned); err != nil {
		t.Fatal(err)
	}
	if again, err := OpenCalibration(name, &b); err != nil || len(again.Content.Leads) != 1 {
		t.Fatalf("%v, %+v", err, again)
	}
	l := b.Params().Leads[4]
	if l.Calibration.Gain != 13.1 || l.Tau != 1401*time.Microsecond || l.UTau < 0.005 || l.UTau > 0.0051 || l.UTauFloating < l.UTau || l.Calibration.Date != "2026-11-02" {
		t.Errorf("lead-05 is %+v", l)
	}
	if files, err := os.ReadDir(filepath.Dir(name)); err != nil || len(files) != 2 {
		t.Errorf("%d files beside the bench file, want 2: %v", len(files), err)
	}
	// The same lead on another input: its figures are not to be used.
	b.Leads[4].Input, b.Leads[5].Input = 1, 0
	b.Leads[4].Calibration = nil
	if c, err := OpenCalibration(name, &b); !errors.Is(err, config.ErrMoved) || len(c.Content.Leads) != 1 || b.Leads[4].Calibration != nil || !strings.Contains(err.Error(), "lead lead-05 was calibrated on input 0 of adc-2 and is now on input 1 of adc-2: calibrate it again") {
		t.Errorf("moved lead: %v", err)
	}
}

// A chip that a driver of the kernel has is not fought over.
func TestChipHeldByTheKernelIsRefused(t *testing.T) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "1-0048", "driver"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "1-0049"), 0o700); err != nil { // known, but free
		t.Fatal(err)
	}
	for address, want := range map[int]string{0x48: "chip adc-1 at 0x48 is held by a kernel driver", 0x49: "", 0x4a: ""} {
		err := notHeld(dir, 1, config.Chip{Name: "adc-1", Address: address})
		if (err != nil) != (want != "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%#x: %v, want %q", address, err, want)
		}
	}
}

func TestCalibrationFaultsSayWhere(t *testing.T) {
	name, b := bench(t)
	path := filepath.Join(filepath.Dir(name), "calibration.toml")
	for text, want := range map[string]string{
		"[[lead]]\nname = 3\n":                       "line 2",
		"[[lead]]\nname = \"lead-05\"\ngainn = 13\n": `line 3: unknown key "lead.gainn"`,
		"[[lead]]\nname = \"lead-05\"\nchip = \"adc-2\"\ninput = 0\ngain = 0.1\noffset_v = 0\nu_gain = 0\nu_offset_v = 0\ndate = \"\"\n": "gain",
	} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := OpenCalibration(name, &b); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want it to say %q", text, err, want)
		}
	}
}
