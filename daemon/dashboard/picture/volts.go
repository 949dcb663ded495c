package picture

import (
	"fmt"
	"math"
	"slices"

	"keyturn/protocol"
)

// voltScale maps volts to heights.
type voltScale struct {
	lo, hi, y0, y1 float64 // y0 is the upper edge, of hi
}

func (v voltScale) y(volts float64) float64 {
	return v.y1 - (v.y1-v.y0)*(min(max(volts, v.lo), v.hi)-v.lo)/(v.hi-v.lo)
}

// voltRange is the whole volts that hold the sags.
func voltRange(sags []*protocol.Sag) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, s := range sags {
		for _, v := range []protocol.Volts{s.BeforeV, s.MinV, s.PlateauV} {
			lo, hi = min(lo, float64(v)), max(hi, float64(v))
		}
		if !s.AtOrBelow {
			lo = min(lo, float64(s.MinV-s.HiddenDipV))
		}
	}
	lo, hi = math.Floor(lo-0.3), math.Ceil(hi+0.2)
	if !(hi > lo) || math.IsInf(hi-lo, 0) {
		return 0, 15
	}
	return lo, hi
}

// voltGrid draws round volts, their figures ending left of the plot or, where
// there is no room, in it.
func (p *canvas) voltGrid(v voltScale, o Options, x0, x1 float64, inside bool) {
	step := rounds(1.7 * o.small() * (v.hi - v.lo) / (v.y1 - v.y0))
	for volts := math.Ceil(v.lo/step) * step; volts <= v.hi+1e-9; volts += step {
		y := v.y(volts)
		p.line("kt-grid", x0, y, x1, y, "grid", 0.6)
		if inside {
			p.text("kt-volt", plain(volts)+" V", x1-3, y-2, o.small(), append(over("soft"), "text-anchor", "end")...)
		} else {
			p.text("kt-volt", plain(volts)+" V", x0-6, y+0.35*o.small(), o.small(), "text-anchor", "end", "fill", colour("soft"))
		}
	}
}

// story draws one start on one lead over time: the level before, the fall to the
// lowest, the level while turning, the return. What was between is not in the
// document and is dotted. The level before reaches back a little, half the way to
// ended at most: for how long it stood is not said.
func (p *canvas) story(s *Scale, v voltScale, o Options, k *protocol.Crank, ended float64) {
	b0, b1, end := s.X(k.BeginsNotBeforeNS), s.X(k.BeginsNotAfterNS), s.X(k.EndsNS)
	p.open("g", "kt-start", "data-id", clean(k.ID), "data-begins-not-after-ns", k.BeginsNotAfterNS, "data-ends-ns", k.EndsNS, "stroke", colour("volts"), "fill", "none")
	defer p.close("g")
	if k.Sag == nil {
		y := (v.y0 + v.y1) / 2
		p.hatch("kt-unknown", "start not measured: "+string(k.NotMeasured), b0, v.y0, max(end, b0+2), v.y1, 6)
		p.text("kt-volts-word", "not measured", b0, y, o.small(), over("ink")...)
		return
	}
	before, lowest, plateau := v.y(float64(k.BeforeV)), v.y(float64(k.MinV)), v.y(float64(k.PlateauV))
	at := s.X(k.MinAtNS)
	p.title(fmt.Sprintf("battery: %.2f V before, lowest %s at %.3f s, %.2f V while turning, %s", float64(k.BeforeV), lowestWord(k.Sag),
		s.seconds(k.MinAtNS), float64(k.PlateauV), recovery(k.Sag)))
	if b1-b0 > 1 {
		p.shape("rect", "kt-bracket", "", "x", b0, "y", v.y0, "width", b1-b0, "height", v.y1-v.y0, "fill", colour("key-1"), "fill-opacity", 0.8, "stroke", "none")
	}
	p.line("kt-before", max(ended, b0-2*o.Text), before, b1, before, "volts", 2.2)
	p.shape("path", "kt-between", "", "d", fmt.Sprintf("M%s %sL%s %sL%s %s", number(b1), number(before), number(at), number(lowest), number(at), number(plateau)),
		"stroke-width", 1.2, "stroke-dasharray", "1.5 2.5")
	p.line("kt-plateau", at, plateau, end, plateau, "volts", 2.2)
	if k.RecoveredMS != nil {
		back := s.X(later(k.EndsNS, int64(min(max(float64(*k.RecoveredMS)*1e6, 0), 1e15))))
		p.shape("path", "kt-back", "", "d", fmt.Sprintf("M%s %sL%s %s", number(end), number(plateau), number(back), number(before)),
			"stroke-width", 1.2, "stroke-dasharray", "1.5 2.5")
	}
	p.lowest(v, o, k.Sag, at)
}

// lowest marks the lowest voltage, pointing down, with k = 2; a dotted line below
// shows how much deeper a dip between samples can have been, an arrow that there
// is no bound for it.
func (p *canvas) lowest(v voltScale, o Options, k *protocol.Sag, x float64) {
	y, u := v.y(float64(k.MinV)), 2*float64(k.MinUV)
	p.shape("path", "kt-min", "", "d", fmt.Sprintf("M%s %sl-5 -7h10Z", number(x), number(y)), "fill", colour("volts"),
		"stroke", colour("paper"), "stroke-width", 1.0, "data-volts", number(float64(k.MinV)), "data-x", x, "data-y", y)
	if a, b := v.y(float64(k.MinV)+u), v.y(float64(k.MinV)-u); b-a > 2 {
		p.shape("path", "kt-whisker", "", "d", fmt.Sprintf("M%s %sh6m-3 0V%sm-3 0h6", number(x-3), number(a), number(b)), "stroke-width", 1.2)
	}
	if k.AtOrBelow {
		p.shape("path", "kt-or-below", "", "d", fmt.Sprintf("M%s %sv9m-3 -3l3 3l3 -3", number(x), number(y)), "stroke-width", 1.4)
	} else if d := v.y(float64(k.MinV - k.HiddenDipV)); d-y > 1 {
		p.shape("path", "kt-hidden", "", "d", fmt.Sprintf("M%s %sV%sm-3 0h6", number(x), number(y), number(d)), "stroke-width", 1.0, "stroke-dasharray", "2 2")
	}
}

func lowestWord(k *protocol.Sag) string {
	if k.AtOrBelow {
		return fmt.Sprintf("≤ %.2f V", float64(k.MinV))
	}
	return fmt.Sprintf("%.2f V", float64(k.MinV))
}

// recovery says how soon a lead was back after a start.
func recovery(k *protocol.Sag) string {
	if k.RecoveredMS == nil {
		return "not seen to recover"
	}
	return fmt.Sprintf("back after %.0f ms", float64(*k.RecoveredMS))
}

// sags lists what was measured of a lead's starts.
func sags(l *protocol.CycleLead) (out []*protocol.Sag) {
	for i := range l.Crank {
		if l.Crank[i].Sag != nil {
			out = append(out, l.Crank[i].Sag)
		}
	}
	return out
}

// battery draws the battery's starts in a panel, or says why there is none.
func (p *canvas) battery(c *protocol.Cycle, s *Scale, o Options, x0, x1, y0, y1 float64, inside bool) {
	if why := noBattery(c); why != "" {
		p.text("kt-none", fit(why, o.small(), x1-x0), x0, y0+1.4*o.small(), o.small(), over("soft")...)
		return
	}
	lo, hi := voltRange(sags(c.Battery))
	v := voltScale{lo, hi, y0, y1}
	p.voltGrid(v, o, x0, x1, inside)
	for i := range c.Battery.Crank {
		ended := x0
		if i > 0 {
			ended = (s.X(c.Battery.Crank[i-1].EndsNS) + s.X(c.Battery.Crank[i].BeginsNotBeforeNS)) / 2
		}
		p.story(s, v, o, &c.Battery.Crank[i], ended)
	}
	p.figures(s, v, o, c.Battery.Crank)
}

// noBattery says why there is nothing to draw of the battery; empty if there is.
func noBattery(c *protocol.Cycle) string {
	switch {
	case c.Battery == nil:
		return "no battery sense lead: its voltage was not measured"
	case len(c.Battery.Crank) == 0 && slices.ContainsFunc(c.Key, func(k protocol.KeyMove) bool { return k.Position == protocol.PositionStart }):
		return "the battery's fall in the start was not measured"
	case len(c.Battery.Crank) == 0:
		return "no start in this cycle: a cycle tells the battery's voltage of starts only"
	}
	return ""
}

// batteryHeight is what the panel takes.
func batteryHeight(c *protocol.Cycle, o Options) float64 {
	if noBattery(c) != "" {
		return 2.2 * o.small()
	}
	return 9 * o.Text
}
