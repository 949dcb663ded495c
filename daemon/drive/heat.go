package drive

import "time"

// This file keeps what test loads bear: how hot each may be, by its rated power
// alone, and the rest that its duty asks for.

// heats is by how much a load's heat grows at a voltage, in watts: what it takes less
// what it may turn into heat for ever.
func (o *Output) heats(v float64) float64 { return v*v/o.Ohm - o.Watt }

// heatMost is the most heat that a load may hold, in joules.
func (o *Output) heatMost() float64 { return overloadS * o.Watt }

// warm lets the loads take up and give off heat for a time; a supply that is not
// known counts as its highest.
func (m *Machine) warm(during time.Duration, supplyV float64) {
	if !(supplyV > 0 && supplyV < m.b.Limits.SupplyHighV) {
		supplyV = m.b.Limits.SupplyHighV
	}
	for i := range m.b.Outputs {
		o := &m.b.Outputs[i]
		if o.Role != TestLoad {
			continue
		}
		watts := -o.Watt
		if m.out.Has(i) {
			watts = o.heats(supplyV)
		}
		m.lines[i].heatJ = max(0, m.lines[i].heatJ+watts*during.Seconds())
	}
}

// rested reports whether a load may be switched on for a time now.
func (m *Machine) rested(line int, during time.Duration) bool {
	o, x := &m.b.Outputs[line], &m.lines[line]
	return m.now >= x.restUntil && x.heatJ+o.heats(m.b.Limits.SupplyHighV)*during.Seconds() <= o.heatMost()
}

// mayStart reports whether the starter has rested, and has not been worked too often.
func (m *Machine) mayStart() bool {
	l := &m.b.Limits
	recent := 0
	for _, at := range m.starts {
		if m.now-at < l.StartsWithin {
			recent++
		}
	}
	return m.now-m.startEnd >= l.StartRest && recent < l.StartsMost
}
