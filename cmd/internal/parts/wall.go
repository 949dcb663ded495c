package parts

import (
	"syscall"
	"time"

	"keyturn/adc"
)

// unsynchronized is the error bound at which the kernel's clock counts as not
// set by anything: 16 s (NTP_PHASE_LIMIT of the Linux kernel).
const unsynchronized = 16 * time.Second

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
	var x syscall.Timex
	if _, err := syscall.Adjtimex(&x); err != nil {
		return 0, false
	}
	bound := time.Duration(x.Maxerror) * time.Microsecond
	return bound, bound < unsynchronized
}
