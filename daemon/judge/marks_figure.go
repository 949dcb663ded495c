package judge

import (
	"math"
	"slices"
)

// The limits of figures beyond what the uncertainties allow. All are common practice,
// no published source.
const (
	// restSlackV is for a voltage at rest that is measured twice.
	restSlackV = 0.2
	// supplySlackV is for two starts on a supply, which repeats itself; on a vehicle it is
	// dipSlackV.
	supplySlackV = 0.1
	// handUS is the standard uncertainty of a time by stopwatch, both ends together.
	handUS = 0.3
	// atOnceS is what a person still calls at once.
	atOnceS = 0.5
	// partOf is how many times as far off as right an answer may be for part marks.
	partOf = 2
	// watchedShare is how much of the bench's own watch is as good as all of it.
	watchedShare = 0.9
)

// limits are what is taken as right.
type limits struct{ low, high, allowed float64 }

// outside is how far a figure lies from what is right; negative below.
func (l limits) outside(v float64) float64 {
	switch {
	case v < l.low:
		return v - l.low
	case v > l.high:
		return v - l.high
	}
	return 0
}

// mark is that of a figure.
func (l limits) mark(v float64, lesson Lesson) Mark {
	m := none(Wrong, lesson)
	switch d := math.Abs(l.outside(v)); {
	case d <= l.allowed:
		m = full("")
	case d <= partOf*l.allowed:
		m = part(Near, lesson)
	}
	return m.with(l)
}

func (m Mark) with(l limits) Mark {
	m.Low, m.High, m.Allowed = l.low, l.high, l.allowed
	return m
}

// around allows for the uncertainties of both sides, k = 2 (JCGM 100:2008, G.3). Sure is
// false where the bench's own leaves so much open that nothing could be called wrong.
func around(low, high, slack, uBench, uHand float64) (l limits, sure bool) {
	l = limits{low, high, slack + kDiffers*math.Hypot(uBench, uHand)}
	return l, kDiffers*uBench <= partOf*(slack+kDiffers*uHand)
}

// volts marks whether a slot is live in a key position. Of a ghost only the decision is
// marked: its volts are those of the meter's own resistance.
func (q *Question) volts(said *Said, f *Found, sheet *AnswerSheet) Mark {
	k := slices.IndexFunc(f.Levels, func(l Level) bool { return l.Position == q.Position })
	if k < 0 || f.Levels[k].Live == NotKnown {
		return unmarked(NotMeasuredHere)
	}
	at, blank := f.Levels[k], said.Blank || said.Yes == NotKnown
	if at.Live == No {
		m := full("")
		switch {
		case blank:
			m = none(Blank, "")
		case said.Yes == Yes:
			m = none(Wrong, LoadIt)
		case slices.Contains(f.Amiss, Ghost) && !said.Ghost:
			m = full(LoadIt) // decided right, and not seen why
		}
		if m.Found = string(NoVolts); slices.Contains(f.Amiss, Ghost) {
			m.Found = string(Ghost)
		}
		return m
	}
	l, sure := around(at.V, at.V, restSlackV, at.UV, sheet.Meter.UV(at.V))
	switch {
	case blank:
		return none(Blank, "").with(l)
	case said.Yes == No:
		return none(Wrong, ProveTestProve).with(l)
	case said.Volts == nil:
		return part(NoFigure, WriteTheVolts).with(l)
	case !sure || math.Abs(l.outside(*said.Volts)) <= l.allowed:
		return full("").with(l)
	}
	return part(NoFigure, WriteTheVolts).with(l)
}

// lowest marks the lowest voltage while cranking: against what the declared meter would
// have shown of the bench's waveform, and down to what the wire really fell to.
func lowest(said *Said, f *Found, sheet *AnswerSheet) Mark {
	switch {
	case slices.Contains(f.Amiss, Ghost) && (f.Behaviour == NoVolts || f.Behaviour == NotProven):
		return unmarked(GhostFigure)
	case f.Lowest == nil:
		return unmarked(NotMeasuredHere)
	}
	wire := f.Lowest.span()
	slack := supplySlackV
	if sheet.OnVehicle {
		slack = dipSlackV
	}
	shown, known := showing(sheet.Meter, f)
	high := max(shown.HighV, wire.hi)
	l, sure := around(min(wire.lo, shown.LowV), high, slack, wire.u, sheet.Meter.UV(high))
	if f.Lowest.AtOrBelow {
		l.low = min(f.Lowest.V, shown.LowV) // how much lower it was nobody knows
	}
	m := unmarked(TooUncertain)
	if sure {
		m = lowestSaid(said, f, l, shown, known)
	}
	m.WireV = f.Lowest.V
	return m.with(limits{shown.LowV, high, l.allowed})
}

// lowestSaid marks a figure where there are limits for it.
func lowestSaid(said *Said, f *Found, l limits, shown Shown, known bool) Mark {
	if said.Blank || said.Volts == nil {
		return none(Blank, "")
	}
	v := *said.Volts
	d := l.outside(v)
	switch {
	case d < -l.allowed && f.Lowest.AtOrBelow:
		return unmarked(LeftOpen)
	case d > l.allowed && !known:
		return unmarked(NoWaveform)
	case known && d > l.allowed && v >= f.Wave[0].V-l.allowed:
		return none(Wrong, WatchTheStart)
	}
	m := l.mark(v, HoldTheLowest)
	switch {
	case m.Result != FullMarks || !known:
	case v < shown.LowV-l.allowed:
		m.Code, m.Lesson = LowerSeen, WhichMeter
	case shown.LowV-f.Lowest.V > l.allowed:
		m.Lesson = MeterTooSlow
	}
	return m
}

// showing is what a meter would have shown of a start, and whether that is known. A dip
// between two samples of the bench counts with all that it can have added.
func showing(m Meter, f *Found) (Shown, bool) {
	s, err := m.Lowest(f.Wave)
	if err != nil {
		return Shown{f.Lowest.V, f.Lowest.V}, false
	}
	depth := max(0, f.Lowest.HiddenV)
	if f.Lowest.AtOrBelow {
		depth = math.Abs(f.Lowest.V)
	}
	s.LowV -= depth * min(1, gapMostS(f.Wave)/m.integratesS())
	return s, true
}

// staysOn marks the time from key-off until a slot had no volts.
func staysOn(said *Said, f *Found) Mark {
	t := f.liveAfterOff()
	if t == nil || f.Behaviour == Permanent && f.WatchedOffS <= 0 {
		return unmarked(NotMeasuredHere)
	}
	if said.Blank || said.After == nil {
		return none(Blank, "")
	}
	a := *said.After
	u := handUS
	if a.AtOnce {
		a.S, u = min(t.lo, atOnceS), 0
	}
	l, sure := around(t.lo, t.hi, timeSlackS(t, t), t.u, u)
	switch {
	case !sure:
		return unmarked(TooUncertain)
	case a.Open:
		return stillOn(a.S, t, l).with(l)
	case t.open() && a.S >= t.lo-l.allowed && !a.AtOnce:
		return unmarked(LeftOpen).with(l)
	case t.open() || a.S < t.lo:
		return l.mark(a.S, WatchToTheEnd)
	}
	return l.mark(a.S, TimeIt)
}

// stillOn marks what only says that a slot was still live, for ever or after s.
func stillOn(s float64, t *span, l limits) Mark {
	switch {
	case t.open() && (s == 0 || s >= watchedShare*t.lo):
		return full("")
	case t.open(), s > 0 && s <= t.hi+l.allowed:
		return part(TooShort, WatchToTheEnd)
	}
	return none(Wrong, WatchToTheEnd)
}
