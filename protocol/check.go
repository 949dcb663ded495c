package protocol

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// This file holds what a document must satisfy so that it can be filed and
// worked with: who made it, its number, and instants in order. Words are not
// checked here, for a reader must bear words that come later.

// checker keeps the first fault found.
type checker struct{ err *Error }

func (c *checker) need(ok bool, where, format string, args ...any) {
	if !ok && c.err == nil {
		c.err = &Error{where, fmt.Errorf("%w: "+format, append([]any{ErrMember}, args...)...)}
	}
}

func (c *checker) pass(err error, where string) {
	if err != nil && c.err == nil {
		c.err = &Error{where, err}
	}
}

func (c *checker) id(id, where string) { c.pass(CheckID(id), where) }

// check returns the first fault of a document as an *Error, or nil.
func check(d Document) error {
	var c checker
	c.header(d.Head())
	if r, ok := d.(Result); ok {
		c.result(r.ResultHead())
	}
	switch d := d.(type) {
	case *Presence:
		c.asOf(d.AsOf)
		c.need(d.State != "", "state", "is empty")
	case *Bench:
		c.asOf(d.AsOf)
		c.id(d.BenchRev, "bench_rev")
	case *Now:
		c.asOf(d.AsOf)
	case *Waveform:
		c.asOf(d.AsOf)
		c.waveform(d)
	case *TransitionResult:
		c.transitionResult(d)
	case *CrankResult:
		c.crankResult(d)
	case *Cycle:
		c.cycle(d)
	case *Verdict:
		c.verdict(d)
	case *Clock:
		c.need(d.Known == (d.Wall != ""), "known", "%t, but wall is there or not", d.Known)
	case *Receipt:
		c.id(d.Keeper, "keeper")
		c.id(d.Stream, "stream")
		c.need(d.UpToSeq >= 0, "up_to_seq", "%d, want 0 or more", d.UpToSeq)
	case *Marks:
		c.marks(d)
	case *Request:
		c.request(d)
	case *Reply:
		c.id(d.Client, "client")
		c.id(d.ID, "id")
		c.id(string(d.Verb), "verb")
		c.need((d.Status == ReplyDone) == (d.Code == ""), "code", "%q while status is %q", clip(string(d.Code)), clip(string(d.Status)))
	case *Gap:
		c.need(d.FromSeq >= 1 && d.ToSeq >= d.FromSeq, "to_seq", "%d to %d is no stretch", d.FromSeq, d.ToSeq)
		c.need(d.Count >= 1 && d.Count-1 <= d.ToSeq-d.FromSeq, "count", "%d does not fit %d to %d", d.Count, d.FromSeq, d.ToSeq)
	}
	if c.err != nil {
		return c.err
	}
	return nil
}

func (c *checker) header(h *Header) {
	c.id(h.Bench, "bench")
	c.pass(checkBoot(h.Boot), "boot")
	c.need(h.MonoNS >= 0, "mono_ns", "%d is before the boot", h.MonoNS)
	if h.Wall == "" {
		c.need(h.WallErrMS == nil, "wall_err_ms", "stands without wall")
		return
	}
	_, err := time.Parse(time.RFC3339, h.Wall)
	c.need(err == nil && strings.HasSuffix(h.Wall, "Z"), "wall", "%q is not RFC 3339 in UTC", clip(h.Wall))
	c.need(h.WallErrMS != nil, "wall_err_ms", "is missing beside wall")
}

func (c *checker) result(r *ResultHeader) {
	c.id(r.Stream, "stream")
	c.need(r.Seq >= 1, "seq", "%d, want 1 or more", r.Seq)
	c.id(r.BenchRev, "bench_rev")
}

func (c *checker) asOf(a AsOf) {
	c.id(a.Stream, "as_of.stream")
	c.need(a.Seq >= 0, "as_of.seq", "%d, want 0 or more", a.Seq)
}

// request checks the members that every request has and those of its verb. A verb
// that is not known passes: the bench refuses it with a reply.
func (c *checker) request(r *Request) {
	c.id(string(r.Verb), "verb")
	c.id(r.Client, "client")
	c.id(r.ID, "id")
	c.need(r.ExpiresNS > 0, "expires_ns", "%d, want an instant on the boot's clock", r.ExpiresNS)
	switch r.Verb {
	case VerbBegin:
		c.need(r.Position == PositionAccessory || r.Position == PositionOn, "position", "%q, want accessory or on", clip(string(r.Position)))
	case VerbNote:
		c.need(r.Note != "" && len(r.Note) <= NoteMax, "note", "%d bytes, want 1 to %d", len(r.Note), NoteMax)
	case VerbReplay:
		c.id(r.Stream, "stream")
		c.need(r.FromSeq >= 1 && r.ToSeq >= r.FromSeq, "to_seq", "%d to %d is no stretch", r.FromSeq, r.ToSeq)
	}
}

func (c *checker) waveform(w *Waveform) {
	for i, l := range w.Leads {
		c.need(len(l.MinV) == len(l.MaxV), fmt.Sprintf("leads[%d]", i), "%d minima and %d maxima", len(l.MinV), len(l.MaxV))
	}
}

func (c *checker) transitionResult(t *TransitionResult) {
	c.need(t.ID != "", "id", "is empty")
	c.id(t.Lead, "lead")
	c.need(t.Withdrawn == (t.Edge == nil), "withdrawn", "%t, but its instant is there or not", t.Withdrawn)
	if t.Edge != nil {
		c.edge(t.Edge, "")
	}
}

func (c *checker) crankResult(k *CrankResult) {
	c.need(k.ID != "", "id", "is empty")
	c.id(k.Lead, "lead")
	c.need(k.Withdrawn == (k.CrankDetail == nil), "withdrawn", "%t, but its figures are there or not", k.Withdrawn)
	if k.CrankDetail != nil {
		c.crank(k.CrankDetail, "")
	}
}

func (c *checker) cycle(y *Cycle) {
	c.need(strings.HasPrefix(y.ID, prefix(y.Boot)+"-"), "id", "%q does not begin with its boot", clip(y.ID))
	c.need(y.Revision >= 1, "revision", "%d, want 1 or more", y.Revision)
	c.need(y.Final == (y.Ended != ""), "ended", "%q while final is %t", clip(string(y.Ended)), y.Final)
	for i, s := range y.Slots {
		at := fmt.Sprintf("slots[%d].", i)
		c.id(s.Slot, at+"slot")
		c.need(s.Behaviour != "", at+"behaviour", "is empty")
		for j := range s.Leads {
			c.cycleLead(&s.Leads[j], fmt.Sprintf("%sleads[%d].", at, j))
		}
	}
	if y.Battery != nil {
		c.cycleLead(y.Battery, "battery.")
	}
	if y.Quiescent != nil {
		c.quiescent(y.Quiescent)
	}
}

func (c *checker) quiescent(q *Quiescent) {
	c.id(q.Lead, "quiescent.lead")
	known := q.CurrentMA != nil
	c.need(known == (q.UMA != nil) && known == (q.FromNS != nil) && known == (q.ToNS != nil), "quiescent.current_ma", "stands without its uncertainty and time, or they without it")
	if known && q.FromNS != nil && q.ToNS != nil {
		c.need(*q.FromNS < *q.ToNS, "quiescent.to_ns", "%d is not after %d", *q.ToNS, *q.FromNS)
	}
	within := func(at, before, after int64, where string) {
		c.need(before <= at && at <= after, where+"at_ns", "%d is outside %d to %d", at, before, after)
	}
	if a := q.Asleep; a != nil {
		within(a.AtNS, a.NotBeforeNS, a.NotAfterNS, "quiescent.asleep.")
	}
	for i, w := range q.Wakes {
		within(w.AtNS, w.NotBeforeNS, w.NotAfterNS, fmt.Sprintf("quiescent.wakes[%d].", i))
	}
}

func prefix(boot string) string { return boot[:min(bootPrefix, len(boot))] }

func (c *checker) cycleLead(l *CycleLead, at string) {
	c.id(l.Lead, at+"lead")
	for i := range l.Transitions {
		t := &l.Transitions[i]
		where := fmt.Sprintf("%stransitions[%d].", at, i)
		c.need(t.ID != "", where+"id", "is empty")
		c.edge(&t.Edge, where)
	}
	for i := range l.Crank {
		k := &l.Crank[i]
		where := fmt.Sprintf("%scrank[%d].", at, i)
		c.need(k.ID != "", where+"id", "is empty")
		c.crank(&k.CrankDetail, where)
	}
	for i := range l.Levels {
		c.positionLevel(l.Levels[:i], &l.Levels[i], fmt.Sprintf("%slevels[%d].", at, i))
	}
	if l.Wave != nil {
		c.wave(l.Wave, at+"wave.")
	}
}

func (c *checker) positionLevel(before []PositionLevel, l *PositionLevel, at string) {
	c.need(l.Position != "" && l.Position != PositionStart, at+"position", "%q, in which nothing is at rest", clip(string(l.Position)))
	c.need(!slices.ContainsFunc(before, func(x PositionLevel) bool { return x.Position == l.Position }), at+"position", "%q is there before", clip(string(l.Position)))
	c.need(l.State != "" && l.State != Unknown, at+"state", "%q, want live or dead", clip(string(l.State)))
	c.need(l.UV >= 0, at+"u_v", "%g, want 0 or more", float64(l.UV))
	c.need(l.UMovedV >= 0, at+"u_moved_v", "%g, want 0 or more", float64(l.UMovedV))
}

func (c *checker) wave(w *CrankWave, at string) {
	c.need(w.Crank != "", at+"crank", "is empty")
	c.need(len(w.V) > 0 && len(w.V) <= CrankWaveMost, at+"v", "has %d stretches, want 1 to %d", len(w.V), CrankWaveMost)
	c.need(len(w.EndMS) == len(w.V), at+"end_ms", "has %d ends for %d stretches", len(w.EndMS), len(w.V))
	before := Millis(0)
	for i, end := range w.EndMS {
		c.need(end > before, fmt.Sprintf("%send_ms[%d]", at, i), "%g is not after %g", float64(end), float64(before))
		before = end
	}
	c.need(w.ApartMS >= 0, at+"apart_ms", "%g, want 0 or more", float64(w.ApartMS))
}

func (c *checker) edge(e *Edge, at string) {
	c.need(e.NotBeforeNS <= e.AtNS && e.AtNS <= e.NotAfterNS, at+"at_ns",
		"%d is outside %d to %d", e.AtNS, e.NotBeforeNS, e.NotAfterNS)
}

func (c *checker) crank(k *CrankDetail, at string) {
	c.need(k.BeginsNotBeforeNS <= k.BeginsNotAfterNS, at+"begins_not_after_ns",
		"%d is before %d", k.BeginsNotAfterNS, k.BeginsNotBeforeNS)
	c.need((k.NotMeasured != "") == (k.Sag == nil), at+"not_measured", "its figures are there or not")
}
