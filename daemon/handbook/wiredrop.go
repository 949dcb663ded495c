package handbook

import "fmt"

// CopperPerK is how much the resistance of copper rises a kelvin, as a share of
// that at 20 °C.
const CopperPerK = 0.00393

// CopperSource is the source of CopperPerK.
func CopperSource() Source {
	return Source{Document: "IEC 60028", ReadIn: "a power engineering handbook", Standing: Published} // Industrial Power Engineering, p. 970
}

// The straight line of CopperPerK holds over these temperatures of a conductor.
const (
	conductorLeastC = -40
	conductorMostC  = 200
)

// MilliOhmPerMAt is the resistance of a metre at a conductor temperature, from
// -40 to 200 °C: R·(1 + α·(t - 20)), IEC 60028. A conductor that carries much is
// warmer than the air; its insulation's limit is the worst case.
func (w Wire) MilliOhmPerMAt(conductorC float64) (float64, error) {
	if !(conductorC >= conductorLeastC && conductorC <= conductorMostC) {
		return 0, &NotInTable{"resistance of copper", fmt.Sprintf("%g °C", conductorC), fmt.Sprintf("%d to %d °C", conductorLeastC, conductorMostC)}
	}
	return w.MilliOhmPerM * (1 + CopperPerK*(conductorC-20)), nil
}

// Return says how the current of a circuit comes back.
type Return int

// A run says which; there is no default.
const (
	ReturnInWire Return = iota + 1 // in a second wire of the same size and length
	ReturnInBody                   // through the body, whose drop is not counted
)

// Run is a wire as it is laid.
type Run struct {
	LengthM    float64 // one way
	Return     Return
	CurrentA   float64
	ConductorC float64 // temperature of the copper
}

func (r Run) check() error {
	switch {
	case !(r.LengthM > 0):
		return fmt.Errorf("volt drop over %g m: want a length above 0", r.LengthM)
	case !(r.CurrentA >= 0):
		return fmt.Errorf("volt drop at %g A: want a current from 0", r.CurrentA)
	case r.Return != ReturnInWire && r.Return != ReturnInBody:
		return fmt.Errorf("volt drop over %g m: say whether the current returns in a wire or in the body", r.LengthM)
	}
	return nil
}

// DropV is the volt drop over a run, out and, where the return is a wire, back.
func (w Wire) DropV(r Run) (float64, error) {
	if err := r.check(); err != nil {
		return 0, err
	}
	milliOhm, err := w.MilliOhmPerMAt(r.ConductorC)
	if err != nil {
		return 0, err
	}
	length := r.LengthM
	if r.Return == ReturnInWire {
		length *= 2
	}
	return milliOhm * 1e-3 * length * r.CurrentA, nil
}

// WireChoice is a wire found for a run.
type WireChoice struct {
	Wire     Wire
	DropV    float64
	Ampacity Ampacity
}

// SmallestWire is the thinnest wire of a standard whose volt drop is at most
// allowedDropV and whose ampacity is at least the current: a short run is limited
// by heat, a long one by its drop. Fuse it at or below its ampacity.
func SmallestWire(s WireStandard, r Run, l Laid, allowedDropV float64) (WireChoice, error) {
	var last WireChoice
	for _, w := range Wires(s) {
		drop, err := w.DropV(r)
		if err != nil {
			return WireChoice{}, err
		}
		if w.AreaMM2 < leastAreaMM2() {
			continue
		}
		ampacity, err := w.Ampacity(l)
		if err != nil {
			return WireChoice{}, err
		}
		last = WireChoice{w, drop, ampacity}
		if drop <= allowedDropV && ampacity.A >= r.CurrentA {
			return last, nil
		}
	}
	if last.Wire.AreaMM2 == 0 {
		return WireChoice{}, noStandard(s)
	}
	return WireChoice{}, &NotInTable{
		Table: "conductors, " + string(s),
		Asked: fmt.Sprintf("a wire for %g A over %g m with a drop of %g V", r.CurrentA, r.LengthM, allowedDropV),
		Has:   fmt.Sprintf("none above %s, which carries %.3g A and drops %.3g V", last.Wire.Size, last.Ampacity.A, last.DropV),
	}
}
