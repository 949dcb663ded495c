package picture

import (
	"fmt"
	"slices"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// stretch is a time during which a lead was of one state, as far as the document
// says.
type stretch struct {
	from, to int64
	state    protocol.State
}

// stretches cuts a lead's time, from one instant to another, by its transitions.
// Live and dead alternate, so what was before a transition is its opposite. Two of
// one state in a row say that something between them is not told; of a lead that has
// transitions left out, any stretch between the listed ones may hide some.
func stretches(s *protocol.CycleSlot, l *protocol.CycleLead, from, to int64) []stretch {
	ts := ordered(l)
	if len(ts) == 0 {
		return []stretch{{from, to, constant(s, l)}}
	}
	var out []stretch
	add := func(until int64, state protocol.State) {
		if until = min(max(until, from), to); until > from {
			out = append(out, stretch{from, until, state})
			from = until
		}
	}
	add(ts[0].AtNS, opposite(ts[0].State))
	for i := range ts[:len(ts)-1] {
		state := ts[i].State
		if l.LeftOut > 0 || ts[i+1].State == state {
			state = protocol.Unknown
		}
		add(ts[i+1].AtNS, state)
	}
	add(to, known(ts[len(ts)-1].State))
	return out
}

func ordered(l *protocol.CycleLead) []protocol.Transition {
	ts := slices.Clone(l.Transitions)
	slices.SortStableFunc(ts, func(a, b protocol.Transition) int {
		if a.AtNS < b.AtNS {
			return -1
		}
		return min(1, int(min(1, uint64(a.AtNS)-uint64(b.AtNS))))
	})
	return ts
}

func opposite(s protocol.State) protocol.State {
	switch s {
	case protocol.Live:
		return protocol.Dead
	case protocol.Dead:
		return protocol.Live
	}
	return protocol.Unknown
}

// known is s, or unknown for a word that this version does not know.
func known(s protocol.State) protocol.State { return opposite(opposite(s)) }

// constant is the state of a lead that never changed, as far as it follows from
// the document: a lead whose sag was measured was live; a slot that may have no
// volts at all was never seen live; one that may be permanent was never seen dead,
// which of two leads tells nothing of one of them.
func constant(s *protocol.CycleSlot, l *protocol.CycleLead) protocol.State {
	for _, k := range l.Crank {
		if k.Sag != nil {
			return protocol.Live
		}
	}
	if s.WatchedS <= 0 {
		return protocol.Unknown
	}
	never := s.Behaviour == protocol.NoVolts || s.Behaviour == protocol.NotProven && slices.Contains(s.Possible, protocol.NoVolts)
	always := s.Behaviour == protocol.Permanent || s.Behaviour == protocol.NotProven && slices.Contains(s.Possible, protocol.Permanent)
	switch {
	case never && !always:
		return protocol.Dead
	case always && !never && len(s.Leads) == 1:
		return protocol.Live
	}
	return protocol.Unknown
}

// row draws one lead's states and transitions in the band of height h around y, for as
// long as it was watched.
func (p *canvas) row(s *Scale, o Options, slot *protocol.CycleSlot, l *protocol.CycleLead, w stretch, y, h float64) {
	ts := ordered(l)
	for _, st := range stretches(slot, l, w.from, w.to) {
		x0, x1 := s.X(st.from), s.X(st.to)
		said := fmt.Sprintf("%s: %s from %.2f s to %.2f s", slot.Slot, report.State(st.state), s.seconds(st.from), s.seconds(st.to))
		p.stretch(st.state, said, x0, x1, y, h)
		word := x0
		for _, t := range ts { // words keep clear of the bracket before them
			if t.AtNS == st.from {
				word = max(word, s.X(t.NotAfterNS))
			}
		}
		p.stateWord(o, st.state, word, s.untilCut(word, x1), y)
	}
	for _, t := range ts {
		p.transition(s, slot, l, &t, y, h)
	}
}

// stretch draws a state by its shape: a bar, a thin line, a hatched box.
func (p *canvas) stretch(state protocol.State, said string, x0, x1, y, h float64) {
	switch state {
	case protocol.Live:
		p.shape("rect", "kt-live", said, "x", x0, "y", y-h/2, "width", x1-x0, "height", h, "fill", colour("live"))
	case protocol.Dead:
		p.open("g", "kt-dead")
		p.title(said)
		p.line("", x0, y, x1, y, "soft", 1.5)
		p.close("g")
	default:
		p.hatch("kt-unknown", said, x0, y-h*0.4, x1, y+h*0.4, 6)
	}
}

// stateWord writes a state's word where its stretch has room for it.
func (p *canvas) stateWord(o Options, state protocol.State, x0, x1, y float64) {
	size := o.small()
	word := report.State(state)
	if x1-x0 < wide(word, size)+2*size {
		return
	}
	x, base := x0+0.6*size, y+0.35*size
	if state == protocol.Live {
		p.text("kt-word", word, x, base, size, "fill", colour("live-ink"))
		return
	}
	// A halo wide enough that the line does not show between letters.
	p.text("kt-word", word, x, base, size, "fill", colour("soft"), "stroke", colour("paper"), "stroke-width", 7.0, "stroke-linejoin", "round", "paint-order", "stroke")
}

// transition draws a change of state: a tick at its estimate, the bracket as a
// lighter box where it is wider than a pixel, twice the standard uncertainty to
// either side as a whisker where that is wider than the tick.
func (p *canvas) transition(s *Scale, slot *protocol.CycleSlot, l *protocol.CycleLead, t *protocol.Transition, y, h float64) {
	x := s.X(t.AtNS)
	p.open("g", "kt-transition", "data-id", clean(t.ID), "data-lead", clean(l.Lead), "data-at-ns", t.AtNS, "data-x", x)
	p.title(fmt.Sprintf("%s: %s at %.3f s ± %.1f ms (k = 2), between %.3f s and %.3f s", slot.Slot, report.State(t.State),
		s.seconds(t.AtNS), 2*float64(t.UUS)*1e-3, s.seconds(t.NotBeforeNS), s.seconds(t.NotAfterNS)))
	if b0, b1 := s.X(t.NotBeforeNS), s.X(t.NotAfterNS); t.NotAfterNS > t.NotBeforeNS && b1-b0 > 1 {
		p.shape("rect", "kt-bracket", "", "x", b0, "y", y-h/2, "width", b1-b0, "height", h,
			"fill", colour("paper"), "fill-opacity", 0.72, "stroke", colour("ink"), "stroke-width", 0.8)
	}
	p.whisker(s, t.AtNS, t.UUS, y, h/3)
	p.line("kt-at", x, y-h/2-2, x, y+h/2+2, "ink", 1.5)
	p.close("g")
}

// whisker draws an instant's expanded uncertainty (k = 2).
func (p *canvas) whisker(s *Scale, at int64, u protocol.Micros, y, h float64) {
	d := int64(min(max(2e3*float64(u), 0), 1e18))
	x0, x1 := s.X(later(at, -d)), s.X(later(at, d))
	if x1-x0 <= 2 {
		return
	}
	p.shape("path", "kt-whisker", "", "d", fmt.Sprintf("M%s %sV%sM%s %sH%sM%s %sV%s", number(x0), number(y-h/2), number(y+h/2),
		number(x0), number(y), number(x1), number(x1), number(y-h/2), number(y+h/2)),
		"stroke", colour("ink"), "stroke-width", 1.2, "fill", "none")
}
