package measure

import (
	"math"
	"time"

	"keyturn/adc"
)

// This file learns a lead's time constants from its own clean edges. An edge
// with two samples on its curve gives one estimate; what is known is drawn
// towards it as far as its uncertainty allows (the weights of a Kalman filter for
// a constant that drifts with the temperature). Estimates far off are outliers,
// bounces most of them; several that agree are another time constant.

const (
	// uTauLeast is the least relative uncertainty a time constant is credited
	// with.
	uTauLeast = 0.0006
	// tauDrift is by how much a capacitor may drift in a second: a film's 0.05 %/K
	// at 5 K an hour (value from memory).
	tauDrift = 0.0025 / 3600
	// uTauMost is where drifting ends: what a capacitor's tolerance leaves.
	uTauMost = 0.03
	// tauFlagged is the change that is no temperature's doing.
	tauFlagged = 0.05
	// uTauWorth is the worst estimate that is worth a look.
	uTauWorth = 0.06
	// tauOff is how many standard deviations off an estimate is an outlier,
	// tauChanged how many that agree within tauAgree are a change.
	tauOff     = 4.0
	tauChanged = 6
	tauAgree   = 0.01
	// uTauChanged is what is known of one that has changed.
	uTauChanged = 0.1
	// uTauPair is what the ratio of floating to driven is known to: the divider's.
	uTauPair = 0.002
	// tailFor is for how many time constants an edge matters to the levels before
	// the next.
	tailFor = 40
)

// timeConstant is one time constant, in nanoseconds, with its relative standard
// uncertainty.
type timeConstant struct {
	value, u float64
	edges    int     // learned from so many
	off      int     // outliers that agree, since the last good estimate
	offValue float64 // their mean
}

// timeConstants are those of a lead: its wire driven, and floating.
type timeConstants struct {
	driven, floating timeConstant
	ratio            float64 // floating to driven, as told
	part             float64 // of the reference that the rises learned from went to
	floated, pulled  int     // falls of either kind
	agedAt           adc.Instant
}

// age lets what is known drift up to an instant.
func (t *timeConstants) age(now adc.Instant) {
	drift := tauDrift * max(0, (now-t.agedAt).Seconds())
	for _, c := range []*timeConstant{&t.driven, &t.floating} {
		c.u = max(c.u, min(c.u+drift, uTauMost))
	}
	t.agedAt = max(t.agedAt, now)
}

// TimeConstants are a lead's time constants as its own edges have taught them.
type TimeConstants struct {
	Driven, Floating   time.Duration
	UDriven, UFloating float64 // relative standard uncertainties (k = 1)
	Edges              int     // learned from so many; 0: as they were told
}

// TimeConstants returns what a lead's time constants are known to be by now.
func (e *Engine) TimeConstants(lead int) TimeConstants {
	t := &e.leads[lead].tau
	return TimeConstants{
		Driven: time.Duration(t.driven.value), Floating: time.Duration(t.floating.value),
		UDriven: t.driven.u, UFloating: t.floating.u, Edges: t.driven.edges + t.floating.edges,
	}
}

// newTimeConstants begins with what a lead was told.
func newTimeConstants(d *adc.Lead) timeConstants {
	uFloating := d.UTauFloating
	if uFloating == 0 {
		uFloating = d.UTau
	}
	return timeConstants{
		driven:   timeConstant{value: float64(d.Tau), u: max(d.UTau, uTauLeast)},
		floating: timeConstant{value: float64(d.TauFloating), u: max(uFloating, uTauLeast)},
		ratio:    float64(d.TauFloating) / float64(d.Tau),
		part:     1,
	}
}

// weight is how far an estimate draws the time constant towards it: 0 to 1.
func (c *timeConstant) weight(u float64) float64 { return c.u * c.u / (c.u*c.u + u*u) }

// take draws the time constant towards an estimate; it returns by how much, as a
// fraction, it has changed where outliers show that.
func (c *timeConstant) take(value, u float64) (changed float64) {
	d := math.Log(value / c.value)
	if abs(d) > tauOff*math.Hypot(u, c.u) {
		return c.outlier(value, u)
	}
	c.off = 0
	w := c.weight(u)
	c.value *= math.Exp(w * d)
	c.u = max(uTauLeast, math.Sqrt(1-w)*c.u)
	c.edges++
	return 0
}

// outlier notes an estimate that is far off. Bounces make such, here and there;
// tauChanged that agree with each other are another time constant.
func (c *timeConstant) outlier(value, u float64) (changed float64) {
	if c.off == 0 || abs(math.Log(value/c.offValue)) > max(3*u, tauAgree) {
		c.off, c.offValue = 0, value
	}
	c.off++
	c.offValue += (value - c.offValue) / float64(c.off)
	if c.off < tauChanged {
		return 0
	}
	changed = c.offValue/c.value - 1
	*c = timeConstant{value: c.offValue, u: uTauChanged}
	return changed
}

// floats is how probably the lead's wire floats after a fall, from the falls
// before: (n+½)/(N+1), the mean of a proportion under Jeffreys' prior, which
// never is certain.
func (t *timeConstants) floats() float64 {
	return (float64(t.floated) + 0.5) / (float64(t.floated+t.pulled) + 1)
}

// fallsMost bounds the falls remembered.
const fallsMost = 200

// noteFall counts a fall whose kind is plain. One of the other kind tells that
// the lead may be in another slot.
func (t *timeConstants) noteFall(floating float64) {
	switch {
	case floating > 0.95:
		t.floated = min(t.floated+1, fallsMost)
		t.pulled /= 4
	case floating < 0.05:
		t.pulled = min(t.pulled+1, fallsMost)
		t.floated /= 4
	}
}

// teaches reports whether a fit says enough of the lead's own time constant: it
// was sharp, and the source did not give way, for then it is another one.
func (f *stepFit) teaches(state State) bool {
	return f.uLnTau > 0 && f.uLnTau <= uTauWorth && f.k1 <= 1.02 && (state == Dead || f.k1 >= 0.96)
}

// learn takes what a fitted edge says of the time constant.
func (e *Engine) learn(l *lead, state State, edge *fitted) {
	f := &edge.step
	c, other, ratio := &l.tau.driven, &l.tau.floating, l.tau.ratio
	apart := math.Log(ratio) // of the two
	if state == Dead && 5*c.u < apart {
		l.tau.noteFall(edge.floating)
	}
	if !f.teaches(state) {
		return
	}
	if state == Live {
		l.tau.part += (f.k1 - l.tau.part) * c.weight(f.uLnTau)
	} else {
		if plain := edge.floating <= 0.01 || edge.floating >= 0.99; !plain || 5*min(c.u, other.u) > apart {
			return
		}
		if edge.floating > 0.5 {
			c, other, ratio = other, c, 1/ratio
		}
	}
	e.tellChanged(l, c.take(math.Exp(f.dataTau), f.uLnTau))
	// The divider ties the two together.
	if u := math.Hypot(c.u, uTauPair); u < other.u {
		other.value, other.u = c.value*ratio, u
	}
}

// suspect takes what a rise that no curve of the lead's fits says of its time
// constant: with another one it may be a curve.
func (e *Engine) suspect(l *lead, state State, edge *fitted) {
	f, c := &edge.step, &l.tau.driven
	if state == Live && f.teaches(state) && abs(f.dataTau-math.Log(c.value)) >= tauOff*math.Hypot(f.uLnTau, c.u) {
		e.tellChanged(l, c.outlier(math.Exp(f.dataTau), f.uLnTau))
	}
}

// tellChanged says that a lead is not what it was, if it changed by more than the
// temperature does.
func (e *Engine) tellChanged(l *lead, changed float64) {
	if abs(changed) > tauFlagged {
		e.fault(l.index, "the lead's time constant is not what it was: look at its capacitor, its divider, its wiring")
	}
}

// fittedStep is an edge as fitted, for one that comes before it has settled.
type fittedStep struct {
	at  adc.Instant
	v   float64 // volts still to settle at that instant
	tau float64
}

// noteFit notes a fitted edge: its level, and what it leaves to settle.
func (l *lead) noteFit(state State, f *fitted) {
	l.levels[state] = f.step.k1
	l.lastStep = fittedStep{at: f.at, v: f.step.fall, tau: math.Exp(f.step.lnTau)}
}

// tailAt returns what the latest edge has left to settle, if that matters.
func (l *lead) tailAt(zero adc.Instant) tail {
	since := float64(zero - l.lastStep.at)
	if l.lastStep.v == 0 || since > tailFor*l.lastStep.tau || since < 0 {
		return tail{}
	}
	return tail{at: float64(l.lastStep.at - zero), v: l.lastStep.v, tau: l.lastStep.tau}
}
