package adc

import "time"

// Merge puts the inputs of several scanners, each on its own bus, into the one
// order of (At, lead). It holds an input back until every source has got beyond
// it by mergeHold; a source that has fallen silent is not waited for longer than
// mergePatience. It is for one goroutine.
type Merge struct {
	emit   func(Input)
	latest []Instant // per source: the latest At seen
	heap   []merging
	count  uint64
}

type merging struct {
	in    Input
	count uint64 // order of arrival, the last resort of the order
}

const (
	// mergeHold is by how much the inputs of one source may be out of order: a
	// finished conversion may wait that long for the bus.
	mergeHold = 5 * time.Millisecond
	// mergePatience is how far behind the others a source may be. What it still
	// delivers later comes late.
	mergePatience = 60 * time.Millisecond
	// mergeMax bounds the inputs held back; beyond, the oldest is let go.
	mergeMax = 8192
)

// NewMerge returns a merge of a number of sources.
func NewMerge(sources int, emit func(Input)) *Merge {
	return &Merge{emit: emit, latest: make([]Instant, sources), heap: make([]merging, 0, 64)}
}

// Put takes an input of a source, numbered from 0, and emits whatever need not
// be held back any longer.
func (m *Merge) Put(source int, in Input) {
	m.latest[source] = max(m.latest[source], in.At)
	m.count++
	m.heap = append(m.heap, merging{in, m.count})
	m.up(len(m.heap) - 1)
	for newest, slowest := m.marks(); len(m.heap) > 0; {
		if at := m.heap[0].in.At; at > slowest.Add(-mergeHold) && at > newest.Add(-mergePatience) && len(m.heap) <= mergeMax {
			return
		}
		m.emit(m.pop())
	}
}

// Flush emits all that is held back.
func (m *Merge) Flush() {
	for len(m.heap) > 0 {
		m.emit(m.pop())
	}
}

func (m *Merge) marks() (newest, slowest Instant) {
	newest, slowest = m.latest[0], m.latest[0]
	for _, t := range m.latest[1:] {
		newest, slowest = max(newest, t), min(slowest, t)
	}
	return newest, slowest
}

func (m *Merge) less(i, j int) bool {
	a, b := &m.heap[i], &m.heap[j]
	switch {
	case a.in.At != b.in.At:
		return a.in.At < b.in.At
	case a.in.Sample.Lead != b.in.Sample.Lead:
		return a.in.Sample.Lead < b.in.Sample.Lead
	}
	return a.count < b.count
}

func (m *Merge) up(i int) {
	for i > 0 {
		parent := (i - 1) / 2
		if !m.less(i, parent) {
			return
		}
		m.heap[i], m.heap[parent] = m.heap[parent], m.heap[i]
		i = parent
	}
}

func (m *Merge) pop() Input {
	top := m.heap[0].in
	last := len(m.heap) - 1
	m.heap[0] = m.heap[last]
	m.heap = m.heap[:last]
	for i := 0; ; {
		least := i
		for _, child := range [2]int{2*i + 1, 2*i + 2} {
			if child < last && m.less(child, least) {
				least = child
			}
		}
		if least == i {
			return top
		}
		m.heap[i], m.heap[least] = m.heap[least], m.heap[i]
		i = least
	}
}
