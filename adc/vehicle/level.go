package vehicle

import (
	"math"

	"keyturn/adc"
)

const (
	// standsFor is how long a wire must have stood within standsV of where it ends, for its
	// level to be required.
	standsFor = 0.9
	standsV   = 0.005
	// levelBefore is how long before the key's move a stay is looked at: the battery's polyline
	// leads from its last corner to what the move makes of it.
	levelBefore = 0.03
)

// tellLevels writes what a lead's wire has at the end of each stay of the key.
func (v *Vehicle) tellLevels(c *cycle, p *plan, lead int, segs []segment) {
	from, position := p.begin, adc.Off
	for _, m := range p.moves {
		if position != adc.Start {
			at := m.at - nano(levelBefore)
			l := Level{Lead: v.Leads[lead].Name, Position: position.String(), LevelV: wireAt(segs, at), TNS: at, Required: at-from > nano(standsFor)}
			stays := stretch{at - nano(standsFor), at}
			for _, g := range segs {
				if g.to <= stays.from || g.from >= stays.to {
					continue
				}
				for _, at := range [...]adc.Instant{max(g.from, stays.from), min(g.to, stays.to)} {
					a, _ := g.loaded(at)
					l.Required = l.Required && math.Abs(a-l.LevelV) < standsV
				}
			}
			if s := p.senseLost; s != nil && s.to > stays.from && s.from < stays.to {
				l.Required = false
			}
			c.truth.Levels = append(c.truth.Levels, l)
		}
		from, position = m.at, m.position
	}
}

// wireAt is what a wire has, under the lead's own load, up to an instant.
func wireAt(segs []segment, at adc.Instant) float64 {
	v := 0.0
	for i := range segs {
		if g := &segs[i]; g.from < at && at <= g.to {
			v, _ = g.loaded(at)
		}
	}
	return v
}
