package vehicle

import (
	"math/rand/v2"

	"keyturn/adc"
)

// plan is what happens in one key cycle, apart from the circuits.
type plan struct {
	begin, end adc.Instant // of everything: the key is off before and after
	moves      []move
	visited    [adc.Running + 1]bool
	draw       draw
	battery    *battery
	senseLost  *stretch // the battery sense lead is off
	skips      bool     // a position was skipped or not reached
	name       string
}

// move is the key arriving at a position. Running is where cranking ends and the
// engine goes on by itself.
type move struct {
	position adc.Position
	at       adc.Instant
}

// stretch is a time from one instant to another.
type stretch struct{ from, to adc.Instant }

func (s *stretch) holds(t adc.Instant, slack float64) bool {
	return t > s.from-nano(slack) && t < s.to+nano(slack)
}

// WatchSeconds is how long the vehicle's bench watches after key-off.
const WatchSeconds = 6

// newPlan draws a cycle that begins at an instant.
func newPlan(rng *rand.Rand, begin adc.Instant, kind string) *plan {
	p := &plan{begin: begin, draw: newDraw(rng), name: kind}
	t := begin + nano(1.6+0.4*rng.Float64())
	stay := func(least, spread float64) { t += nano(least + spread*rng.Float64()) }
	reach := func(position adc.Position) {
		p.moves = append(p.moves, move{position, t})
		p.visited[position] = true
	}
	crank := func(catches bool) {
		reach(adc.Start)
		seconds := 0.9 + 1.1*rng.Float64()
		s := newStart(rng, p.draw.restV, t, seconds, catches)
		p.draw.starts = append(p.draw.starts, s)
		if t = s.to; catches {
			reach(adc.Running)
		} else {
			reach(adc.On)
		}
	}
	if kind != "accessory skipped" {
		reach(adc.Accessory)
		stay(1.2, 0.6)
	}
	if kind != "accessory only" {
		reach(adc.On)
		p.draw.keyOn = t
		stay(1.4, 0.6)
	}
	switch kind {
	case "accessory only":
		stay(1, 1)
	case "start skipped":
		stay(2, 1)
	case "start failed":
		crank(false)
		stay(3.3, 0.5)
	case "double start":
		crank(false)
		stay(1.2, 0.4)
		crank(true)
		stay(2.5, 0.5)
	case "stop and restart":
		crank(true)
		stay(2.2, 0.3)
		reach(adc.On)
		p.draw.stops = append(p.draw.stops, t)
		stay(1.6, 0.3)
		crank(true)
		stay(2, 0.4)
	default:
		crank(true)
		stay(3.2, 1)
	}
	reach(adc.Off)
	p.draw.off = t
	p.skips = kind != "whole" && kind != "double start" && kind != "stop and restart"
	p.draw.begin, p.end = begin, t+nano(WatchSeconds+1.5)
	p.draw.end = p.end
	return p
}

// off is when the key is turned off for good.
func (p *plan) off() adc.Instant { return p.moves[len(p.moves)-1].at }

// first is when the key leaves off.
func (p *plan) first() adc.Instant { return p.moves[0].at }

// watched is when the watch after key-off ends.
func (p *plan) watched() adc.Instant { return p.off() + nano(WatchSeconds) }

// stretches returns when the key is in a position.
func (p *plan) stretches(position adc.Position) []stretch {
	var out []stretch
	for i, m := range p.moves {
		if m.position == position && i+1 < len(p.moves) {
			out = append(out, stretch{m.at, p.moves[i+1].at})
		}
	}
	return out
}

// nearMove reports whether the key moves within some seconds of an instant.
func (p *plan) nearMove(t adc.Instant, seconds float64) bool {
	for _, m := range p.moves {
		if d := t - m.at; d > -nano(seconds) && d < nano(seconds) {
			return true
		}
	}
	return false
}

// inStart reports whether an instant lies in or near a start.
func (p *plan) inStart(t adc.Instant, seconds float64) bool {
	for i := range p.draw.starts {
		s := stretch{p.draw.starts[i].from, p.draw.starts[i].to}
		if s.holds(t, seconds) {
			return true
		}
	}
	return false
}

// quiet draws an instant from which nothing else happens for a while: no key
// move and no start within reach. It gives up after some tries.
func (p *plan) quiet(rng *rand.Rand, within stretch, length, apart float64) (adc.Instant, bool) {
	room := within.to - within.from - nano(length)
	if room <= 0 {
		return 0, false
	}
	for range 30 {
		t := within.from + adc.Instant(rng.Int64N(int64(room)))
		clear := true
		for x := t; x <= t+nano(length); x += nano(0.02) {
			if p.nearMove(x, apart) || p.inStart(x, apart) {
				clear = false
				break
			}
		}
		if clear {
			return t, true
		}
	}
	return 0, false
}
