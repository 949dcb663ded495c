package parts

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"keyturn/adc"
)

func TestToldClockGrowsOld(t *testing.T) {
	told := adc.Instant(5e9)
	text := formatBound(told, 12*time.Millisecond)
	for _, c := range []struct {
		text string
		at   adc.Instant
		want time.Duration
	}{
		{text, told, 12 * time.Millisecond},
		{text, told.Add(10 * time.Second), 17 * time.Millisecond},
		{text, told.Add(2 * time.Minute), 0},
		{text, told - 1, 0},
		{"", told, 0},
		{"5000000000 -3\n", told, 0},
		{"5000000000 99999999999999\n", told, 0},
		{"9223372036854775807 1\n", told, 0},
	} {
		if got, err := parseBound(c.text, c.at); got != c.want || (err == nil) != (c.want > 0) {
			t.Errorf("%q at %d: %v, %v, want %v", c.text, c.at, got, err, c.want)
		}
	}
}

// The file is there as soon as the program has begun, whole.
func TestTellClock(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bound")
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if err := TellClock(ctx, path); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	clock, err := adc.NewRealClock()
	if err != nil {
		t.Fatal(err)
	}
	kernel, err := kernelBound()
	if err != nil {
		t.Fatal(err)
	}
	if got, err := parseBound(string(text), clock.Now()); err != nil || got < kernel-time.Second || got > kernel+time.Second {
		t.Errorf("%q is read as %v, %v; the kernel says %v", text, got, err, kernel)
	}
	if entries, err := os.ReadDir(filepath.Dir(path)); err != nil || len(entries) != 1 {
		t.Errorf("%d files are left: %v", len(entries), err)
	}
}
