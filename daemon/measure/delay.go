package measure

import (
	"math"
	"time"
)

// Delay returns the time from transition a to transition b and its standard
// uncertainty (k = 1). The two are taken as independent: where both leads are on
// one bus, what is not known of the host's calls cancels, and the delay is better
// than stated.
func Delay(a, b *Transition) (d, u time.Duration) { return b.At.Sub(a.At), combined(a.U, b.U) }

// Before reports whether a certainly came before b: their brackets do not touch.
// That a's estimate is the earlier one proves nothing.
func Before(a, b *Transition) bool { return a.NotAfter < b.NotBefore }

// combined is the standard uncertainty of a sum or difference of two independent
// times (JCGM 100:2008, 5.1.2).
func combined(a, b time.Duration) time.Duration {
	return time.Duration(math.Hypot(float64(a), float64(b)))
}
