package measure

import (
	"math"
	"slices"
	"time"

	"keyturn/adc"
)

// PositionLevel is what a lead read in a key position once it had come to rest there.
type PositionLevel struct {
	Position adc.Position
	State    State
	// V is the mean, U its standard uncertainty (k = 1). UMoved is what of it does not
	// cancel between the leads of a slot: they are averaged over the same time but for its
	// ends, and the supply may move; 0 for a lead by itself.
	V, U, UMoved float64

	over span // what V is the mean of
}

// rest is a stretch of blocks in which a lead was at rest.
type rest struct {
	PositionLevel
	movedV float64 // how far the blocks lie apart
}

// restsBy is what the lead had come to rest at by the end of a stay of the key; false where
// it was not steady then for at least so long.
func (l *lead) restsBy(stay span, least time.Duration) (rest, bool) {
	k := 1
	for b := l.steady.back(k); b != nil && b.to > stay.to; b = l.steady.back(k) {
		k++
	}
	last := l.steady.back(k)
	// Whatever happened after the last block may have changed everything.
	if last == nil || !last.steady || stay.to.Sub(last.to) > last.to.Sub(last.from)+steadyBlock {
		return rest{}, false
	}
	sum, n, first := 0.0, 0.0, last
	low, top := last.v, last.v
	for ; last.to.Sub(first.from) < steadyMost; k++ {
		b := l.steady.back(k)
		if b == nil || !b.steady || b.from < stay.from || b.state != last.state || abs(b.v-last.v) > agreeV {
			break
		}
		if first.from.Sub(b.to) > steadyBlock {
			break // a test lies between
		}
		sum, n, first = sum+b.v*float64(b.n), n+float64(b.n), b
		low, top = min(low, b.v), max(top, b.v)
	}
	if first == last || last.to.Sub(first.from) < least {
		return rest{}, false
	}
	v := sum / n
	// Where it still moves, the end lies anywhere within as much again (a rectangle, JCGM
	// 100:2008, 4.3.7).
	x := PositionLevel{State: last.state, V: v, U: math.Hypot(l.uncertainty(v, 0), (top-low)/math.Sqrt(3)), over: span{first.from, last.to}}
	return rest{x, top - low}, true
}

// takeLevels keeps what each lead read in the key's present position, up to an instant in
// it. The leads of a slot are read together: of the stretches of all stays in a position the
// first counts in which the most of them were at rest.
func (c *cycleTracker) takeLevels(e *Engine, to adc.Instant) {
	if c.position == adc.NoPosition || c.position == adc.Start || c.open && c.keyOff != 0 {
		return // off is what there was before the key, not what it left
	}
	for _, leads := range e.together {
		had := 0
		for _, i := range leads {
			// What was taken before the key was known to have moved is not of this position.
			c.levels[i] = slices.DeleteFunc(c.levels[i], func(x PositionLevel) bool { return x.Position == c.position && x.over.to > to })
			if slices.ContainsFunc(c.levels[i], c.ofPosition) {
				had++
			}
		}
		if had == len(leads) {
			continue
		}
		got := restTogether(e, leads, span{c.arrived, to})
		if len(got) <= had {
			continue
		}
		for _, i := range leads {
			c.levels[i] = slices.DeleteFunc(c.levels[i], c.ofPosition)
			if x, ok := got[i]; ok {
				x.Position = c.position
				c.levels[i] = append(c.levels[i], x)
			}
		}
	}
}

func (c *cycleTracker) ofPosition(x PositionLevel) bool { return x.Position == c.position }

// restTogether is what leads had come to rest at by the end of a stay, each that had, all
// over the same time but for the ends of their blocks.
func restTogether(e *Engine, leads []int, stay span) map[int]PositionLevel {
	from := stay.from
	var resting []int
	for _, i := range leads {
		if r, ok := e.leads[i].restsBy(stay, steadyLeast); ok {
			resting, from = append(resting, i), max(from, r.over.from)
		}
	}
	stay.from = max(stay.from, from.Add(-steadyBlock/2))
	var rests []rest
	all, every := span{math.MaxInt64, 0}, span{0, math.MaxInt64}
	for _, i := range resting {
		r, ok := e.leads[i].restsBy(stay, 0)
		if !ok {
			return nil
		}
		rests = append(rests, r)
		all = span{min(all.from, r.over.from), max(all.to, r.over.to)}
		every = span{max(every.from, r.over.from), min(every.to, r.over.to)}
	}
	out := map[int]PositionLevel{}
	for k, r := range rests {
		// The means of two stretches lie no further apart than by the share of them in which
		// there is only one, of what moved (a rectangle, as above).
		apart := all.to.Sub(all.from) - every.to.Sub(every.from)
		share := min(1, apart.Seconds()/r.over.to.Sub(r.over.from).Seconds())
		r.UMoved = share * r.movedV / math.Sqrt(3)
		out[resting[k]] = r.PositionLevel
	}
	return out
}

// together are the leads that are read together: those of each slot, the others each by
// itself.
func together(p *Params) (out [][]int) {
	in := map[int]bool{}
	for _, s := range p.Slots {
		var leads []int
		for _, l := range s.Leads {
			leads = append(leads, l.Lead)
			in[l.Lead] = true
		}
		out = append(out, leads)
	}
	for i := range p.Leads {
		if !in[i] {
			out = append(out, []int{i})
		}
	}
	return out
}
