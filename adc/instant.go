package adc

import "time"

// Instant is a moment on the bench's monotonic clock, in nanoseconds. Its zero
// is that of the clock (boot, or the start of a simulation); it is never wall
// time.
type Instant int64

// Add returns the instant d later (earlier if d is negative).
func (t Instant) Add(d time.Duration) Instant { return t + Instant(d) }

// Sub returns the time from u to t.
func (t Instant) Sub(u Instant) time.Duration { return time.Duration(t - u) }

// Seconds returns the instant as seconds since the clock's zero.
func (t Instant) Seconds() float64 { return float64(t) * 1e-9 }

// Clock tells the time to a Scanner and waits for it. The real clock sleeps on
// the scanner's locked thread; a simulated one is the simulated bus itself.
// Nothing but the scanner takes a clock: everything behind it is told the time
// by its inputs.
type Clock interface {
	// Now returns the present instant.
	Now() Instant
	// SleepUntil returns at t or shortly after; at once if t has passed.
	SleepUntil(t Instant)
}
