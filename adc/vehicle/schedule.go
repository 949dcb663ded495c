package vehicle

import (
	"math/rand/v2"
	"slices"

	"keyturn/adc"
)

// This file decides when a circuit is on in a cycle, and what an ideal observer
// would call it.

// schedule returns when the circuit is commanded on, in order, and its word.
func (c *circuit) schedule(rng *rand.Rand, p *plan) (on []stretch, behaviour string) {
	behaviour = c.kind.behaviour
	whole := stretch{p.begin, p.end}
	switch behaviour {
	case "permanent":
		return []stretch{whole}, behaviour
	case "awake":
		sleeps := p.off() + nano(1.5+6*rng.Float64())
		if sleeps > p.watched()-nano(0.4) {
			return []stretch{whole}, "permanent" // not seen to sleep
		}
		return []stretch{{p.begin, sleeps}}, behaviour
	case "switch-operated":
		if on = c.operate(rng, p); len(on) == 0 {
			return nil, "none"
		}
		return on, behaviour
	case "intermittent":
		if on = c.flicker(rng, p); len(on) <= flickers {
			return []stretch{whole}, "permanent" // no room for enough of it
		}
		return on, behaviour
	}
	for _, position := range c.kind.follows {
		on = append(on, p.stretches(position)...)
	}
	slices.SortFunc(on, func(a, b stretch) int { return int(a.from - b.from) })
	on = join(on)
	if n := len(on); c.kind.staysOn && n > 0 && on[n-1].to == p.off() {
		on[n-1].to += nano(0.5 + 4.5*rng.Float64())
	}
	return on, behaviour
}

// join makes one of stretches that meet.
func join(s []stretch) []stretch {
	var out []stretch
	for _, x := range s {
		if n := len(out); n > 0 && out[n-1].to == x.from {
			out[n-1].to = x.to
			continue
		}
		out = append(out, x)
	}
	return out
}

// operate is a person at another switch: one to three operations, each state at
// least 0.8 s, within one stay of the key.
func (c *circuit) operate(rng *rand.Rand, p *plan) []stretch {
	for _, position := range []adc.Position{adc.Running, adc.On} {
		for _, stay := range p.stretches(position) {
			n := 1 + rng.IntN(2)
			for ; n > 0; n-- {
				length := float64(n)*0.9 + float64(n-1)*0.9
				at, ok := p.quiet(rng, stay, length, 0.45)
				if !ok {
					continue
				}
				var on []stretch
				for range n {
					on = append(on, stretch{at, at + nano(0.9)})
					at += nano(1.8)
				}
				return on
			}
		}
	}
	return nil
}

// flickers is how many drop-outs make a loose contact rather than a lost one.
const flickers = 5

// flicker is a loose contact on a permanent feed: many drop-outs at random.
func (c *circuit) flicker(rng *rand.Rand, p *plan) []stretch {
	var gaps []stretch
	for i := 0; i < 60 && len(gaps) < 8; i++ {
		length := 0.03 + 0.22*rng.Float64()
		if i%3 == 2 {
			length = 0.3 + 0.3*rng.Float64()
		}
		at, ok := p.quiet(rng, stretch{p.begin + nano(0.3), p.watched() - nano(0.5)}, length, 0.45)
		if !ok {
			continue
		}
		g := stretch{at, at + nano(length)}
		clear := true
		for _, x := range gaps {
			clear = clear && (g.to < x.from-nano(0.2) || g.from > x.to+nano(0.2))
		}
		if clear {
			gaps = append(gaps, g)
		}
	}
	slices.SortFunc(gaps, func(a, b stretch) int { return int(a.from - b.from) })
	var on []stretch
	from := p.begin
	for _, g := range gaps {
		on = append(on, stretch{from, g.from})
		from = g.to
	}
	return append(on, stretch{from, p.end})
}

// falter lets a weak relay drop out while the battery is below its hold and pull
// in again above.
func (c *circuit) falter(on []stretch, p *plan) []stretch {
	if c.o.dropOutV == 0 {
		return on
	}
	var out []stretch
	for _, s := range on {
		from, held := s.from, true
		for t := s.from; t < s.to; t += nano(0.001) {
			if !p.inStart(t, 0.3) {
				continue
			}
			v := p.battery.at(t)
			if held && v < c.o.dropOutV {
				out = append(out, stretch{from, t})
				held = false
			} else if !held && v > c.o.dropOutV+0.5 {
				from, held = t, true
			}
		}
		if held {
			out = append(out, stretch{from, s.to})
		}
	}
	return out
}
