package judge

import "keyturn/daemon/handbook"

// Wiring is how the wire of an added circuit is laid.
type Wiring struct {
	Standard handbook.WireStandard
	LengthM  float64 // one way
	Return   handbook.Return
	Laid     handbook.Laid
	// DropMostV is the volt drop that is allowed at the accessory's current.
	DropMostV float64
}

// WireFor is the thinnest wire that its fuse protects and whose drop at the accessory's
// current is allowed with the conductor as hot as its insulation bears.
func WireFor(w Wiring, currentA, fuseA float64) (handbook.WireChoice, error) {
	// A fuse opens only beyond its rating, so that the wire must carry that. The drop is
	// proportional to the current.
	more := fuseA / currentA
	run := handbook.Run{LengthM: w.LengthM, Return: w.Return, CurrentA: fuseA, ConductorC: w.Laid.InsulationC}
	c, err := handbook.SmallestWire(w.Standard, run, w.Laid, w.DropMostV*more)
	c.DropV /= more
	return c, err
}
