package link

import (
	"context"
	"math/rand/v2"
	"time"
)

// Again runs one session after the other until the context is done. Between two it
// pauses for a time drawn evenly up to a bound, which doubles from first to most, so
// that many clients of a broker that was away do not all come at once; a session that
// lasted longer than most begins anew. A session returns whether it had worked before
// it ended, and why it ended. failed is told the first failure since something worked,
// and then ever fewer, with their number.
func Again(ctx context.Context, first, most time.Duration, session func(context.Context) (worked bool, err error), failed func(err error, failures int64, pause time.Duration)) {
	wait := first
	for failures := int64(1); ; failures++ {
		began := time.Now()
		worked, err := session(ctx)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) > most {
			wait = first
		}
		if worked {
			failures = 1
		}
		pause := rand.N(wait)
		if rarely(failures) {
			failed(err, failures, pause)
		}
		wait = min(2*wait, most)
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return
		}
	}
}

// rarely picks the first of many, then ever fewer: for what is logged and counted.
func rarely(n int64) bool { return n&(n-1) == 0 }
