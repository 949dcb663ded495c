package judge

import "math"

// start asks what the accessory does while the engine cranks.
func (c *Choice) start(w Want) {
	s := &c.Slot
	c.HoldUpS = c.holdUpS(&w)
	switch {
	case s.Behaviour == EngineRunning:
		c.Restarts = No
		c.add(Reason{Code: OnAfterStart, Weight: Speaks})
	case s.OffInStart == nil:
		c.add(Reason{Code: StartNotSeen, Weight: Provisional})
	case *s.OffInStart:
		c.unfed(w)
	case w.MinimumV <= 0:
		c.add(Reason{Code: MinimumNotKnown, Weight: Provisional})
	default:
		c.sagging(w)
	}
}

// rides is how long the accessory goes on without its feed, by itself or by its
// capacitor: at least, for sure, and at most.
func (c *Choice) rides(w *Want) (least, most float64) {
	if w.HoldUpF > 0 && c.Slot.BeforeV == 0 {
		return w.RidesThroughS, math.Inf(1) // nobody knows what it is charged to
	}
	return max(w.RidesThroughS, c.HoldUpS*(1-capacitorTolerance)), max(w.RidesThroughS, c.HoldUpS*(1+capacitorTolerance))
}

// unfed is a start in which the slot has no volts.
func (c *Choice) unfed(w Want) {
	t := c.Slot.OffInStartS
	least, most := c.rides(&w)
	switch {
	case t == nil && most > 0:
		c.add(Reason{Code: StartNotSeen, Weight: Provisional})
	case t != nil && !t.Open && t.S+2*t.US <= least:
		c.Restarts = No
		c.add(Reason{Code: RidesStart, Weight: Speaks, Value: t.S, Limit: least})
	case t != nil && t.S-2*t.US <= most && most > least:
		c.add(Reason{Code: BridgeUndecided, Weight: Provisional, Value: t.S, Limit: c.HoldUpS})
	default:
		c.Restarts = Yes
		r := Reason{Code: UnfedInStart, Weight: Against, Limit: most}
		if t != nil {
			r.Value = t.S
		}
		c.add(r)
	}
}

// sagging is a start in which the slot stays live. What the scan may have missed counts
// against the slot: a short dip restarts an accessory as well as a long one.
func (c *Choice) sagging(w Want) {
	d := c.Slot.Lowest
	if d == nil {
		c.add(Reason{Code: StartNotSeen, Weight: Provisional})
		return
	}
	minimum := w.leastV()
	span := d.span()
	low, high := span.lo-2*span.u, span.hi+2*span.u
	if low >= minimum {
		c.Restarts = No
		c.add(Reason{Code: WorksInStart, Weight: Speaks, Value: d.V, Limit: w.MinimumV, DiodeV: minimum - w.MinimumV})
		return
	}
	volts := Reason{Value: d.V, Limit: w.MinimumV, DiodeV: minimum - w.MinimumV}
	ridesLeast, ridesMost := c.rides(&w)
	if !c.recharges(minimum) {
		ridesLeast = w.RidesThroughS
	}
	least, most, known := below(c.Slot.Below, minimum)
	switch {
	case known && !d.AtOrBelow && most+missedS <= ridesLeast:
		c.Restarts = No
		c.add(Reason{Code: RidesStart, Weight: Speaks, Value: most, Limit: ridesLeast})
	case high < minimum && (ridesMost <= 0 || known && least > ridesMost):
		c.Restarts = Yes
		volts.Code, volts.Weight = RestartsInStart, Against
		c.add(volts)
	case high < minimum && w.HoldUpF > 0:
		c.add(Reason{Code: BridgeUndecided, Weight: Provisional, Value: most, Limit: c.HoldUpS})
	default:
		volts.Code, volts.Weight = StartUndecided, Provisional
		c.add(volts)
	}
}

// recharges reports whether the feed stays above a minimum once the starter's inrush is
// over, in the troughs of the compression strokes too: then there is one dip to bridge, from a
// full capacitor. Else the strokes make a row of them, and nothing fills it up between. What is
// not known of the troughs counts as that. dipSlackV is for the next start, and for how far a
// trough lies below the mean of a stretch of a waveform.
func (c *Choice) recharges(minimum float64) bool { return c.Slot.TroughV >= minimum+dipSlackV }

// missedS is how long a dip may last, and fall between two samples all the same: eight
// scans of 16 leads.
const missedS = 0.05

// below bounds how long a feed was under a voltage: at least as long as under the next
// lower limit, at most as long as under the next higher one.
func below(list []Below, v float64) (least, most float64, known bool) {
	for _, b := range list {
		if b.LimitV <= v {
			least = b.LeastS
		}
		if b.LimitV >= v {
			return least, b.MostS, true
		}
	}
	return least, 0, false
}
