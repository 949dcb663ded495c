package daemon

import (
	"math"
	"time"

	"keyturn/adc"
	"keyturn/daemon/drive"
	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// This file turns the core's events into documents. It is pure: headers are
// stamped with the time of the inputs, never with a clock.

// translator knows what the documents need besides the events.
type translator struct {
	p         measure.Params
	bench     string
	boot      string
	benchRev  string
	subject   protocol.Subject
	source    protocol.CrankSource
	cylinders int // of the engine; 0: not known
	wall      func(adc.Instant) (time.Time, time.Duration, bool)
	slotOf    []slotRef                // per lead
	tests     *tested                  // of sources; nil for none
	fuses     map[string]protocol.Fuse // by slot
}

// slotRef is the slot and side a lead is in; empty if none.
type slotRef struct{ slot, side string }

func newTranslator(o *Options) *translator {
	t := &translator{p: o.Params.WithDefaults(), bench: o.Bench, boot: o.Boot, subject: o.Description.Subject, cylinders: o.Cylinders, wall: o.Wall,
		slotOf: make([]slotRef, len(o.Params.Leads)), fuses: map[string]protocol.Fuse{}}
	for _, s := range o.Description.Slots {
		t.fuses[s.Slot] = s.Fuse
	}
	switch {
	case o.Drive != nil && o.Drive.Script.CrankSource == drive.ContactOnly:
		t.source = protocol.CrankContactOnly
	case o.Drive != nil:
		t.source = protocol.CrankSupplyDip
	case t.subject == protocol.Vehicle:
		t.source = protocol.CrankEngine
	}
	for _, s := range o.Params.Slots {
		for _, l := range s.Leads {
			t.slotOf[l.Lead] = slotRef{s.Name, l.Side}
		}
	}
	return t
}

// header stamps a document made at an instant.
func (t *translator) header(at adc.Instant) protocol.Header {
	h := protocol.Header{Bench: t.bench, Boot: t.boot, MonoNS: int64(at)}
	if t.wall != nil {
		if w, err, ok := t.wall(at); ok {
			h.SetWall(w, err)
		}
	}
	return h
}

func (t *translator) result(at adc.Instant) protocol.ResultHeader {
	return protocol.ResultHeader{Header: t.header(at), BenchRev: t.benchRev}
}

// translate returns the result that an event makes, nil if it makes none.
func (t *translator) translate(at adc.Instant, ev measure.Event) protocol.Result {
	switch e := ev.(type) {
	case *measure.Transition:
		edge := t.edge(e)
		return &protocol.TransitionResult{ResultHeader: t.result(at), ID: e.ID, Lead: t.lead(e.Lead),
			Slot: t.slot(e.Lead), Side: t.side(e.Lead), Edge: &edge}
	case *measure.TransitionWithdrawn:
		return &protocol.TransitionResult{ResultHeader: t.result(at), ID: e.ID, Lead: t.lead(e.Lead),
			Slot: t.slot(e.Lead), Side: t.side(e.Lead), Withdrawn: true, Why: protocol.OrNull(e.Why)}
	case *measure.Crank:
		d := t.crank(e)
		return &protocol.CrankResult{ResultHeader: t.result(at), ID: e.ID, Lead: t.lead(e.Lead),
			Slot: t.slot(e.Lead), Side: t.side(e.Lead), CrankDetail: &d}
	case *measure.Cycle:
		return t.cycle(at, e)
	case *measure.Faulted:
		f := &protocol.BenchFault{ResultHeader: t.result(at), AtNS: int64(e.At), Reason: e.Reason, Count: int64(e.Count)}
		if e.Lead >= 0 {
			f.Lead = protocol.OrNull(t.lead(e.Lead))
			f.Chip = protocol.OrNull(t.p.Leads[e.Lead].Chip)
		}
		return f
	}
	return nil
}

func (t *translator) lead(i int) string          { return t.p.Leads[i].Name }
func (t *translator) slot(i int) protocol.OrNull { return protocol.OrNull(t.slotOf[i].slot) }
func (t *translator) side(i int) protocol.OrNull { return protocol.OrNull(t.slotOf[i].side) }

func (t *translator) edge(e *measure.Transition) protocol.Edge {
	timing := protocol.TimingLimits
	if e.Timing == measure.TimingCurve {
		timing = protocol.TimingCurve
	}
	return protocol.Edge{
		State: protocol.State(e.State.String()), AtNS: int64(e.At), NotBeforeNS: int64(e.NotBefore), NotAfterNS: int64(e.NotAfter),
		UUS: protocol.MicrosOf(e.U), Timing: timing, Seen: seen(e.Seen),
	}
}

func seen(s measure.Seen) (out protocol.List[protocol.Seen]) {
	for _, w := range s.Words() {
		out = append(out, protocol.Seen(w))
	}
	return out
}

func (t *translator) crank(k *measure.Crank) protocol.CrankDetail {
	d := protocol.CrankDetail{
		BeginsNotBeforeNS: int64(k.BeginsNotBefore), BeginsNotAfterNS: int64(k.BeginsNotAfter), EndsNS: int64(k.Ends),
		NotMeasured: protocol.OrNull(k.NotMeasured),
	}
	if t.source == protocol.CrankContactOnly {
		d.NotMeasured = "a contact moved, and nothing was tested at low voltage"
	}
	if d.NotMeasured != "" {
		return d
	}
	d.Sag = &protocol.Sag{
		BeforeV: protocol.Volts(k.BeforeV), MinV: protocol.Volts(k.MinV), MinUV: protocol.Volts(k.MinUV),
		LevelUV: protocol.Volts(k.LevelUV), Ripple: t.ripple(k),
		HiddenDipV: protocol.Volts(k.HiddenDipV), AtOrBelow: k.AtOrBelow, MinAtNS: int64(k.MinAt), PlateauV: protocol.Volts(k.PlateauV),
	}
	for _, b := range k.Below {
		d.Sag.Below = append(d.Sag.Below, protocol.Below{
			V: protocol.Volts(b.LimitV), MS: protocol.MillisOf(b.Time), MSMin: protocol.MillisOf(b.TimeMin),
			MSMax: protocol.MillisOf(b.TimeMax), VS: protocol.VoltSeconds(b.VoltSeconds),
		})
	}
	if k.Recovered >= 0 {
		ms := protocol.MillisOf(k.Recovered)
		d.Sag.RecoveredMS = &ms
	}
	return d
}

// ripple is a start's ripple, with the cranking speed where the number of
// cylinders is known: f = n·N/120 for four strokes.
func (t *translator) ripple(k *measure.Crank) *protocol.Ripple {
	if !k.HasRipple {
		return nil
	}
	r := &protocol.Ripple{Hz: protocol.Ratio(k.Ripple.Hz), UHz: protocol.Ratio(k.Ripple.UHz), V: protocol.Volts(k.Ripple.V)}
	if t.cylinders > 0 {
		per := 120 / float64(t.cylinders)
		n, u := protocol.Ratio(k.Ripple.Hz*per), protocol.Ratio(k.Ripple.UHz*per)
		r.RPM, r.URPM = &n, &u
	}
	return r
}

func (t *translator) cycle(at adc.Instant, c *measure.Cycle) *protocol.Cycle {
	out := &protocol.Cycle{
		ResultHeader: t.result(at), Subject: t.subject, CrankSource: t.source, ID: protocol.CycleID(t.boot, int64(c.Begin)),
		Revision: c.Revision, Final: c.Final, Ended: protocol.Ended(c.Ended.String()),
	}
	for _, k := range c.Key {
		out.Key = append(out.Key, keyMove(k))
	}
	for _, n := range c.Notes {
		out.Notes = append(out.Notes, protocol.Note{AtNS: int64(n.At), Text: n.Text, Source: protocol.Source(n.Source.String())})
	}
	for i := range c.Slots {
		out.Slots = append(out.Slots, t.cycleSlot(&c.Slots[i]))
	}
	if c.Battery != nil {
		b := t.cycleLead(c.Battery)
		out.Battery = &b
	}
	if c.Quiescent != nil {
		out.Quiescent = t.quiescent(c)
	}
	return out
}

func keyMove(k measure.KeyMoved) protocol.KeyMove {
	return protocol.KeyMove{Position: protocol.Position(k.Position.String()), AtNS: int64(k.At), UUS: protocol.MicrosOf(k.U),
		Source: protocol.Source(k.Source.String())}
}

func (t *translator) cycleSlot(s *measure.SlotResult) protocol.CycleSlot {
	slot := t.p.Slots[s.Slot]
	b := protocol.Behaviour(s.Behaviour.String())
	out := protocol.CycleSlot{
		Slot: slot.Name, Legend: protocol.OrNull(slot.Legend), Fuse: t.fuses[slot.Name], Behaviour: b, DINTerminal: protocol.TerminalOf(b),
		WatchedS: protocol.SecondsOf(s.Watched), Seen: seen(s.Seen), StaysOnOpen: s.StaysOnOpen,
	}
	out.Source = t.tests.source(s.Slot)
	for _, p := range s.Possible {
		out.Possible = append(out.Possible, protocol.Behaviour(p.String()))
	}
	for _, p := range s.DecidedBy {
		out.DecidedBy = append(out.DecidedBy, protocol.Position(p.String()))
	}
	if s.HasStaysOn {
		v, u := protocol.SecondsOf(s.StaysOn), protocol.MillisOf(s.StaysOnU)
		out.StaysOnS, out.StaysOnUMS = &v, &u
	}
	if s.HasStart {
		v := s.OffInStart
		out.OffInStart = &v
	}
	for i := range s.Leads {
		out.Leads = append(out.Leads, t.cycleLead(&s.Leads[i]))
	}
	return out
}

func (t *translator) cycleLead(l *measure.LeadResult) protocol.CycleLead {
	out := protocol.CycleLead{Lead: t.lead(l.Lead), Side: t.side(l.Lead), LeftOut: l.LeftOut}
	if l.Before != measure.Unknown {
		out.StateBefore = protocol.State(l.Before.String())
	}
	for i := range l.Transitions {
		out.Transitions = append(out.Transitions, protocol.Transition{ID: l.Transitions[i].ID, Edge: t.edge(&l.Transitions[i])})
	}
	for i := range l.Cranks {
		out.Crank = append(out.Crank, protocol.Crank{ID: l.Cranks[i].ID, CrankDetail: t.crank(&l.Cranks[i])})
	}
	for _, x := range l.Levels {
		out.Levels = append(out.Levels, protocol.PositionLevel{Position: protocol.Position(x.Position.String()), State: protocol.State(x.State.String()), V: toMilli(x.V), UV: protocol.Volts(x.U), UMovedV: protocol.Volts(x.UMoved)})
	}
	if t.source != protocol.CrankContactOnly {
		out.Wave = wave(l.Wave)
	}
	return out
}

// wave is a start's waveform in few digits, for it is the most of a document.
func wave(w *measure.Wave) *protocol.CrankWave {
	if w == nil {
		return nil
	}
	out := &protocol.CrankWave{Crank: w.Crank, BeginNS: int64(w.Begin), ApartMS: protocol.MillisOf(w.Apart)}
	ended := time.Duration(0)
	for i, v := range w.V {
		end := w.Ends[i].Sub(w.Begin).Round(100 * time.Microsecond)
		if n := len(out.V); n > 0 && end <= ended { // faster samples than a document tells apart
			out.V[n-1] = min(out.V[n-1], toMilli(v))
			continue
		}
		ended = max(end, 100*time.Microsecond)
		out.V, out.EndMS = append(out.V, toMilli(v)), append(out.EndMS, protocol.MillisOf(ended))
	}
	return out
}

// toMilli rounds to the mV.
func toMilli(v float64) protocol.Volts { return protocol.Volts(math.Round(v*1e3) / 1e3) }
