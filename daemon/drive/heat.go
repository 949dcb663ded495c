package drive

import "time"

// This file keeps what test loads bear: how hot each may be, by its rated power
// alone, the rest that its duty asks for, and how far it stays apart from a start.

// heats is by how much a load's heat grows at a voltage, in watts: what it takes less
// what it may turn into heat for ever.
func (o *Output) heats(v float64) float64 { return v*v/o.Ohm - o.Watt }

// heatMost is the most heat that a load may hold, in joules.
func (o *Output) heatMost() float64 { return overloadS * o.Watt }

// warm lets the loads take up and give off heat for a time; of the supply before and
// after it the higher counts, and its highest where it is not known.
func (m *Machine) warm(during time.Duration, nowV float64) {
	supplyV := max(m.supplyV, nowV)
	m.supplyV = nowV
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
	return m.now >= m.lines[line].restUntil && m.bears(line, during) && m.apartFromStart()
}

// apartFromStart reports whether a start is long enough ago for a test load.
func (m *Machine) apartFromStart() bool {
	i, apart := m.b.line(RelayStart, ""), Apart
	if m.script.CrankSource == SupplyDip {
		apart = DipAfter
	}
	return i < 0 || !m.lines[i].ever || m.now-m.lines[i].switched >= apart
}

// apartFromLoads reports whether every test load is off for long enough for a start.
func (m *Machine) apartFromLoads() bool {
	for i := range m.b.Outputs {
		if x := &m.lines[i]; m.b.Outputs[i].Role == TestLoad && x.ever && (m.out.Has(i) || m.now-x.switched < Apart) {
			return false
		}
	}
	return true
}

// bears reports whether a load may be on for a time, and for what the watchdog takes.
func (m *Machine) bears(line int, during time.Duration) bool {
	o := &m.b.Outputs[line]
	return m.lines[line].heatJ+o.heats(m.b.Limits.SupplyHighV)*(during+DropWithin).Seconds() <= o.heatMost()
}

// rest lets the starter rest, and every load as after its longest time and as hot as it
// may be, from an instant on: nobody knows what was before.
func (m *Machine) rest(from time.Duration) {
	m.startEnd = from
	for i := range m.b.Outputs {
		if o := &m.b.Outputs[i]; o.Role == TestLoad {
			m.lines[i].restUntil = from + m.restAfter(m.b.Limits.LoadMax)
			m.lines[i].heatJ = o.heatMost()
		}
	}
}

// restAfter is how long a load rests after it was on for a time.
func (m *Machine) restAfter(lasted time.Duration) time.Duration {
	return time.Duration(float64(lasted) * (1/m.b.Limits.LoadDuty - 1))
}

// mayStart reports whether the starter has rested, has not been worked too often, and no
// test load was on just now.
func (m *Machine) mayStart() bool {
	l := &m.b.Limits
	recent := 0
	for _, at := range m.starts {
		if m.now-at < l.StartsWithin {
			recent++
		}
	}
	return m.now-m.startEnd >= l.StartRest && recent < l.StartsMost && m.apartFromLoads()
}
