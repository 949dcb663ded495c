package parts

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"keyturn/adc"
)

// unsynchronized is the error bound at which the kernel's clock counts as not
// set by anything: 16 s (NTP_PHASE_LIMIT of the Linux kernel).
const unsynchronized = 16 * time.Second

// ClockFile is where a program that may ask the kernel tells what it says of the
// clock, for those that may not: the call that reads the bound can also set the
// clock, and a locked-down service has it taken away.
const ClockFile = "/run/keyturn-clock/bound"

const (
	// clockTold is how often it is told, clockStale the age from which it is no
	// longer believed.
	clockTold  = 10 * time.Second
	clockStale = time.Minute
	// clockDrift is by how much the kernel lets its own bound grow, in a second (MAXFREQ of the
	// Linux kernel, 500 ppm).
	clockDrift = 500 * time.Microsecond
)

// Wall tells the wall clock at an instant, with the kernel's own bound of its
// error. It is unknown while nothing has set the clock.
func Wall(clock *adc.RealClock) func(adc.Instant) (time.Time, time.Duration, bool) {
	return func(t adc.Instant) (time.Time, time.Duration, bool) {
		bound, ok := WallBound()
		if !ok {
			return time.Time{}, 0, false
		}
		return time.Now().Add(t.Sub(clock.Now())), bound, true
	}
}

// WallNow tells the wall clock; false while nothing has set it.
func WallNow() (time.Time, bool) {
	_, ok := WallBound()
	return time.Now(), ok
}

// WallBound is the kernel's bound of the wall clock's error; false while nothing has
// set the clock.
func WallBound() (time.Duration, bool) {
	bound, err := kernelBound()
	if errors.Is(err, syscall.EPERM) {
		clock, err := adc.NewRealClock()
		if err != nil {
			return 0, false
		}
		text, err := os.ReadFile(ClockFile)
		if err != nil {
			return 0, false
		}
		bound, err = parseBound(string(text), clock.Now())
		return bound, err == nil && bound < unsynchronized
	}
	return bound, err == nil && bound < unsynchronized
}

func kernelBound() (time.Duration, error) {
	var x syscall.Timex
	if _, err := syscall.Adjtimex(&x); err != nil {
		return 0, err
	}
	return time.Duration(x.Maxerror) * time.Microsecond, nil
}

// TellClock writes the kernel's bound into a file until the context is done.
func TellClock(ctx context.Context, path string) error {
	clock, err := adc.NewRealClock()
	if err != nil {
		return fmt.Errorf("read the monotonic clock: %w", err)
	}
	tick := time.NewTicker(clockTold)
	defer tick.Stop()
	for {
		bound, err := kernelBound()
		if err != nil {
			return fmt.Errorf("ask the kernel how well the wall clock is known: %w", err)
		}
		fresh := filepath.Join(filepath.Dir(path), ".bound")
		if err := os.WriteFile(fresh, []byte(formatBound(clock.Now(), bound)), 0o644); err != nil {
			return fmt.Errorf("tell how well the wall clock is known: %w", err)
		}
		if err := os.Rename(fresh, path); err != nil {
			return fmt.Errorf("tell how well the wall clock is known: %w", err)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// formatBound is the file's one line: monotonic ns, and the bound in µs.
func formatBound(at adc.Instant, bound time.Duration) string {
	return fmt.Sprintf("%d %d\n", int64(at), bound.Microseconds())
}

// parseBound reads it at an instant: the bound has grown since it was told.
func parseBound(text string, now adc.Instant) (time.Duration, error) {
	var at, us int64
	if _, err := fmt.Sscanf(text, "%d %d\n", &at, &us); err != nil {
		return 0, fmt.Errorf("%s: want monotonic ns and a bound in us: %w", ClockFile, err)
	}
	age := now.Sub(adc.Instant(at))
	if age < 0 || age > clockStale || us < 0 || us > unsynchronized.Microseconds() {
		return 0, fmt.Errorf("%s: %d us, told %v ago, is not to be believed", ClockFile, us, age)
	}
	return time.Duration(us)*time.Microsecond + time.Duration(age.Seconds()*float64(clockDrift)), nil
}
