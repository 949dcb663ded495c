package judge

// start asks what the accessory does while the engine cranks.
func (c *Choice) start(w Want) {
	s := &c.Slot
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

// unfed is a start in which the slot has no volts.
func (c *Choice) unfed(w Want) {
	t := c.Slot.OffInStartS
	switch {
	case t == nil && w.RidesThroughS > 0:
		c.add(Reason{Code: StartNotSeen, Weight: Provisional})
	case t != nil && !t.Open && t.S+2*t.US <= w.RidesThroughS:
		c.Restarts = No
		c.add(Reason{Code: RidesStart, Weight: Speaks, Value: t.S, Limit: w.RidesThroughS})
	default:
		c.Restarts = Yes
		r := Reason{Code: UnfedInStart, Weight: Against, Limit: w.RidesThroughS}
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
	span := d.span()
	low, high := span.lo-2*span.u, span.hi+2*span.u
	if low >= w.MinimumV {
		c.Restarts = No
		c.add(Reason{Code: WorksInStart, Weight: Speaks, Value: d.V, Limit: w.MinimumV})
		return
	}
	least, most, known := below(c.Slot.Below, w.MinimumV)
	switch {
	case known && !d.AtOrBelow && most+missedS <= w.RidesThroughS:
		c.Restarts = No
		c.add(Reason{Code: RidesStart, Weight: Speaks, Value: most, Limit: w.RidesThroughS})
	case high < w.MinimumV && (w.RidesThroughS <= 0 || known && least > w.RidesThroughS):
		c.Restarts = Yes
		c.add(Reason{Code: RestartsInStart, Weight: Against, Value: d.V, Limit: w.MinimumV})
	default:
		c.add(Reason{Code: StartUndecided, Weight: Provisional, Value: d.V, Limit: w.MinimumV})
	}
}

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
