package handbook

import (
	"fmt"
	"math"
	"time"
)

// StartingProfile is one level of the voltage that a 12 V system is tested with
// while the engine starts. From BaseV it falls to DipV, holds, ramps to the
// plateau's centre, swings about it with a sine whose trough is PlateauV, and
// recovers to BaseV.
type StartingProfile struct {
	Level    string // I to IV
	Meaning  string // in the edition of 2023; IV has none
	BaseV    float64
	DipV     float64
	PlateauV float64 // the trough of the sine
	SineVPP  float64 // peak to peak
	SineHz   float64
	Fall     time.Duration
	DipHold  time.Duration
	Ramp     time.Duration
	Plateau  time.Duration
	Recovery time.Duration
	Source   Source
}

// A public DC/DC bench's catalogue of ISO 16750-2:2023; a circuit simulator's
// ISO 16750-2 library and two wave files agree. The standard allows the levels
// 0.2 V less, and the times ± 10 % (value from memory).
var startingClause = Source{Document: "ISO 16750-2:2023", Place: "4.6.3", ReadIn: "a public catalogue of standards", Standing: Published}

// StartingProfiles are the levels I to IV.
func StartingProfiles() []StartingProfile {
	level := func(name, meaning string, dipV, plateauV float64, plateau, recovery time.Duration) StartingProfile {
		return StartingProfile{
			Level: name, Meaning: meaning, BaseV: 12, DipV: dipV, PlateauV: plateauV, SineVPP: 2, SineHz: 2,
			Fall: 5 * time.Millisecond, DipHold: 15 * time.Millisecond, Ramp: 50 * time.Millisecond,
			Plateau: plateau, Recovery: recovery, Source: startingClause,
		}
	}
	return []StartingProfile{
		level("I", "warm start", 8.0, 9.5, time.Second, 40*time.Millisecond),
		level("II", "cold start, good battery", 4.5, 6.5, 10*time.Second, 100*time.Millisecond),
		level("III", "cold start, aged battery", 3.0, 5.0, time.Second, 100*time.Millisecond),
		level("IV", "", 6.0, 6.5, 10*time.Second, 100*time.Millisecond),
	}
}

// FindStartingProfile is a level by its numeral.
func FindStartingProfile(level string) (StartingProfile, error) {
	for _, p := range StartingProfiles() {
		if p.Level == level {
			return p, nil
		}
	}
	return StartingProfile{}, &NotInTable{"starting profiles, ISO 16750-2", fmt.Sprintf("%q", level), "I, II, III, IV"}
}

// Length is how long the profile lasts, from the beginning of the fall.
func (p StartingProfile) Length() time.Duration {
	return p.Fall + p.DipHold + p.Ramp + p.Plateau + p.Recovery
}

// V is the voltage so long after the beginning of the fall; BaseV before and
// after the profile. The standard draws the sine and does not say where it
// begins: here at its centre, falling.
func (p StartingProfile) V(after time.Duration) float64 {
	centre := p.PlateauV + p.SineVPP/2
	swing := func(at time.Duration) float64 {
		return centre - p.SineVPP/2*math.Sin(2*math.Pi*p.SineHz*at.Seconds())
	}
	if after < 0 {
		return p.BaseV
	}
	for _, part := range []struct {
		lasts time.Duration
		v     func(at time.Duration) float64
	}{
		{p.Fall, line(p.BaseV, p.DipV, p.Fall)},
		{p.DipHold, line(p.DipV, p.DipV, p.DipHold)},
		{p.Ramp, line(p.DipV, centre, p.Ramp)},
		{p.Plateau, swing},
		{p.Recovery, line(swing(p.Plateau), p.BaseV, p.Recovery)},
	} {
		if after < part.lasts {
			return part.v(after)
		}
		after -= part.lasts
	}
	return p.BaseV
}

// line goes from one voltage to another in a time.
func line(fromV, toV float64, in time.Duration) func(time.Duration) float64 {
	return func(at time.Duration) float64 { return fromV + (toV-fromV)*float64(at)/float64(in) }
}
