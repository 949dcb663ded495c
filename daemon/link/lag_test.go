package link

import (
	"testing"
	"testing/synctest"
	"time"
)

// A record keeper that is there and does not move is sent what it lacks ever more
// rarely; one that is away for a week is sent it a few times, not hundreds; one that
// comes back gets it soon.
func TestHowOftenResultsAreSentAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLag(10 * time.Second)
		over := func(d time.Duration, receipts bool) (n int) {
			for end := time.Now().Add(d); time.Now().Before(end); <-time.After(5 * time.Second) { // simulated
				if receipts && time.Now().Unix()%60 < 5 {
					l.receipt(false)
				}
				if l.due() {
					n++
					l.sentAgain()
				}
			}
			return n
		}
		if n := over(24*time.Hour, true); n < 24 || n > 36 {
			t.Errorf("there and still for a day: sent again %d times", n)
		}
		if n := over(7*24*time.Hour, false); n < 5 || n > 12 {
			t.Errorf("away for a week: sent again %d times", n)
		}
		if !l.away() {
			t.Error("a week of silence is not away")
		}
		l.receipt(false)
		if n := over(time.Minute, true); l.away() || n < 2 {
			t.Errorf("back: sent again %d times in a minute", n)
		}
		l.receipt(true)
		if n := over(9*time.Second, false); n != 0 {
			t.Errorf("it moves, and is sent again %d times", n)
		}
	})
}
