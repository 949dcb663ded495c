package daemon

import (
	"math"

	"keyturn/adc"
	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// This file says in documents what the lead that measures a current shows.

func milliAmps(a float64) protocol.MilliAmps { return protocol.MilliAmps(1e3 * a) }

// milliAmpHours are 3.6 C.
func milliAmpHours(c float64) protocol.MilliAmpHours { return protocol.MilliAmpHours(c / 3.6) }

func (t *translator) quiescent(c *measure.Cycle) *protocol.Quiescent {
	q := c.Quiescent
	out := &protocol.Quiescent{
		Lead: t.lead(q.Lead), LimitMA: milliAmps(q.LimitA), NoCurrent: q.NoCurrent, LeftOut: q.LeftOut,
		ChargeMAH: milliAmpHours(q.Charge.C), UMAH: milliAmpHours(q.Charge.UC), SeenS: protocol.SecondsOf(q.Charge.Seen),
		UnseenS: protocol.SecondsOf(q.Charge.Unseen), OverRangeS: protocol.SecondsOf(q.Charge.OverRange),
	}
	if q.To != 0 {
		a, u, from, to := milliAmps(q.MeanA), milliAmps(q.UA), int64(q.From), int64(q.To)
		out.CurrentMA, out.UMA, out.FromNS, out.ToNS = &a, &u, &from, &to
	}
	if s := q.Asleep; s != nil {
		out.Asleep = &protocol.Asleep{AtNS: int64(s.At), NotBeforeNS: int64(s.NotBefore), NotAfterNS: int64(s.NotAfter), AfterS: protocol.SecondsOf(s.At.Sub(q.Off))}
	}
	for _, w := range q.Wakes {
		x := protocol.Wake{AtNS: int64(w.At), NotBeforeNS: int64(w.NotBefore), NotAfterNS: int64(w.NotAfter), LastedS: protocol.SecondsOf(w.Lasted), Open: w.Open, PeakMA: milliAmps(w.PeakA)}
		for _, i := range w.Slots {
			x.Slots = append(x.Slots, t.p.Slots[i].Name)
		}
		out.Wakes = append(out.Wakes, x)
	}
	return out
}

// describeShunt is a current lead's shunt; nil for a probe lead.
func describeShunt(l *adc.Lead) *protocol.Shunt {
	if !l.IsCurrent() {
		return nil
	}
	return &protocol.Shunt{MOhm: protocol.Ratio(1e3 * l.Shunt.Ohm), U: protocol.Ratio(l.Shunt.U), UZeroMA: milliAmps(l.UCurrent(0))}
}

// isCurrent reports whether a lead measures a current. Such a lead is neither live nor
// dead, in no waveform, and known while its current is.
func (m *moment) isCurrent(lead int) bool { return m.t.p.Leads[lead].IsCurrent() }

// known reports whether a lead is live or dead, or its current is known.
func (m *moment) known(lead int) bool {
	if m.isCurrent(lead) {
		return !math.IsNaN(m.volts[lead])
	}
	return m.states[lead] != measure.Unknown
}

// current is what now says of a current lead.
func (m *moment) current(lead int) protocol.NowLead {
	l := protocol.NowLead{Lead: m.t.lead(lead)}
	if v := m.volts[lead]; !math.IsNaN(v) {
		d := &m.t.p.Leads[lead]
		a := v / d.Shunt.Ohm
		x, u := milliAmps(a), milliAmps(math.Hypot(d.UCurrent(a), m.noise(lead)/d.Shunt.Ohm))
		l.MA, l.UMA = &x, &u
	}
	return l
}
