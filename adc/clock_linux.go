package adc

import (
	"syscall"
	"time"
	"unsafe"
)

// RealClock is the kernel's monotonic clock, in nanoseconds since boot (without
// time asleep). Its SleepUntil blocks the calling thread: the caller must have
// locked its goroutine to it.
type RealClock struct {
	base   time.Time
	offset Instant // the kernel's clock at base
	slack  bool
}

// NewRealClock returns the real clock.
func NewRealClock() (*RealClock, error) {
	var ts syscall.Timespec
	const monotonic = 1 // CLOCK_MONOTONIC
	_, _, errno := syscall.Syscall(syscall.SYS_CLOCK_GETTIME, monotonic, uintptr(unsafe.Pointer(&ts)), 0)
	base := time.Now()
	if errno != 0 {
		return nil, errno
	}
	return &RealClock{base: base, offset: Instant(ts.Nano())}, nil
}

// Now returns the present instant. It does not allocate and costs no system call.
func (c *RealClock) Now() Instant { return c.offset.Add(time.Since(c.base)) }

// timerSlack is what the kernel may add to a sleep to save wake-ups; its default
// of 50 µs is half a bus transfer.
const timerSlack = 1 * time.Microsecond

// SleepUntil sleeps on the calling thread. The runtime's own timers round short
// waits up to a millisecond, so the kernel is asked directly.
func (c *RealClock) SleepUntil(t Instant) {
	if !c.slack {
		const setTimerSlack = 29 // PR_SET_TIMERSLACK
		// A refusal costs some microseconds a sleep and nothing else.
		_, _, _ = syscall.RawSyscall(syscall.SYS_PRCTL, setTimerSlack, uintptr(timerSlack), 0)
		c.slack = true
	}
	for {
		d := t.Sub(c.Now())
		if d <= 0 {
			return
		}
		ts := syscall.NsecToTimespec(int64(d))
		if err := syscall.Nanosleep(&ts, nil); err != nil && err != syscall.EINTR {
			time.Sleep(d)
			return
		}
	}
}
