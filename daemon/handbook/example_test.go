package handbook_test

import (
	"fmt"

	"keyturn/daemon/handbook"
)

// A lamp of 12 A, four metres from the battery, earthed to the body, in the
// engine bay: which wire, and which fuse protects it?
func ExampleSmallestWire() {
	run := handbook.Run{LengthM: 4, Return: handbook.ReturnInBody, CurrentA: 12, ConductorC: 105}
	laid := handbook.Laid{InsulationC: 105, AmbientC: 70, Bundled: 3}
	choice, err := handbook.SmallestWire(handbook.ISO6722, run, laid, 0.36)
	if err != nil {
		fmt.Println(err)
		return
	}
	fuse, err := handbook.FuseAtMost(handbook.FuseF, choice.Ampacity.A)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s drops %.2f V and carries %.1f A; fuse %g A, %s\n", choice.Wire.Size, choice.DropV, choice.Ampacity.A, fuse.RatingA, fuse.Colour)
	fmt.Println(choice.Wire.Source)
	// Output:
	// 4 mm² drops 0.30 V and carries 21.5 A; fuse 20 A, yellow
	// ISO 6722-1 (value from memory)
}

// One millivolt across a 10 A fuse of a parked vehicle.
func ExampleFuseResistance_Current() {
	fuse, err := handbook.ResistanceOfFuse(handbook.FuseC, 10)
	if err != nil {
		fmt.Println(err)
		return
	}
	current, err := fuse.Current(handbook.Drop{MV: 1.0, UMV: 0.05})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.0f mA (%.0f to %.0f)\n", current.A*1e3, current.LowA*1e3, current.HighA*1e3)
	_, err = handbook.ResistanceOfFuse(handbook.FuseF, 12)
	fmt.Println(err)
	// Output:
	// 130 mA (102 to 171)
	// fuse resistances, miniature blade fuse: 12 A is not in the table, which has 5, 7.5, 10, 15, 20, 25, 30 A
}
