package outbox

import "time"

// ages says whether the wall clock may be believed about how old results are.
type ages struct {
	begun bool
	wall  time.Time     // at the last look
	mono  time.Duration // monotonic, likewise
	held  time.Duration // monotonic: since when the wall clock has not jumped
}

// believe reports whether ages by the wall clock can be acted on. newest is when
// the latest result was stored, by the wall clock of then: a clock that agrees with
// it is believed at once, any other when it has gone on undisturbed for long.
func (a *ages) believe(wall time.Time, mono time.Duration, newest time.Time, keepFor time.Duration) bool {
	if !a.begun {
		a.begun, a.held = true, mono
		if d := wall.Sub(newest); d > -clockStep && d < keepFor {
			a.held -= clockHolds
		}
	} else if jump := wall.Sub(a.wall) - (mono - a.mono); jump > clockStep || jump < -clockStep {
		a.held = mono
	}
	a.wall, a.mono = wall, mono
	return mono-a.held >= clockHolds
}
