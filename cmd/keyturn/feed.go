package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"keyturn/daemon/config"
	"keyturn/daemon/evidence"
	"keyturn/daemon/handbook"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// feed chooses the slot that feeds an accessory.
type feed struct {
	oneCycle `embed:""`
	Box      string  `help:"The box file: ratings, and what nobody may touch." required:"" type:"existingfile" placeholder:"FILE"`
	Kind     string  `help:"permanent, or switched: live with the key and not when parked." required:"" enum:"permanent,switched" placeholder:"KIND"`
	Amps     float64 `placeholder:"AMPERES" help:"The most that the accessory draws from this feed, in amperes." required:""`
	Minimum  float64 `name:"minimum-v" help:"The voltage below which it stops; 0: not known." default:"0"`
	Rides    float64 `name:"rides-through-s" help:"How long it goes on without volts, in seconds." default:"0"`
	HoldUp   float64 `name:"hold-up-uf" help:"A capacitor at the accessory, behind a diode, in microfarads; 0: none." default:"0"`
	OffAfter float64 `name:"off-within-s" help:"The longest acceptable time on after key-off, in seconds; 0: any." default:"0"`

	Load  map[string]string `help:"What the circuit of a slot draws with everything on, in amperes; from the papers with a p behind it." placeholder:"SLOT=A"`
	Null  string            `help:"A key cycle document of the same pairs of leads with the fuses in and no current: what flows through a fuse counts as its circuit's draw, and is provisional." type:"existingfile" placeholder:"FILE"`
	Bits  int               `name:"null-bits" help:"Bits of the converters of those leads: 16 or 12." enum:"16,12" default:"16"`
	Type  string            `name:"fuse" help:"Type of the fuse that the tap holds; without it that of the slot." placeholder:"TYPE"`
	MostA float64           `name:"fuse-most" help:"The largest fuse that the tap takes; 0: it says none." default:"0"`

	Length  float64 `name:"length-m" help:"Length of the wire, one way." default:"2"`
	Return  string  `help:"Where the current returns: body, or a wire of the same length." default:"body" enum:"body,wire"`
	Ambient float64 `name:"ambient-c" help:"The warmest air around the wire." default:"60"`
	Drop    float64 `name:"drop-v" help:"The volt drop that is allowed in the wire." default:"0.36"`

	Parked  float64  `name:"parked-ma" help:"What the accessory draws while the vehicle is parked; 0: not asked." default:"0"`
	Vehicle *float64 `name:"vehicle-ma" help:"What the vehicle itself draws asleep; without it as the key cycle shows, if it does." placeholder:"MA"`
	Battery *float64 `name:"battery-ah" help:"Rated capacity of the battery; without it 60." placeholder:"AH" xor:"battery"`
	Reserve *float64 `name:"battery-reserve-min" help:"In its place: its reserve capacity in minutes." placeholder:"MIN" xor:"battery"`
	From    float64  `name:"charge" help:"Charge when it is parked, in per cent." default:"80"`
	Lowest  float64  `name:"charge-lowest" help:"Charge at which it must still start, in per cent." default:"50"`
}

// usualAh is the capacity of a battery of which nothing is said.
const usualAh = 60

// insulationC is what the insulation of the commonest road-vehicle cable bears: class A
// of ISO 6722-1 (value from memory).
const insulationC = 85

// Run prints the answer.
func (c *feed) Run(ctx context.Context) error {
	return c.print(ctx, os.Stdout, terminalWidth(os.Stdout))
}

func (c *feed) print(ctx context.Context, w io.Writer, width int) error {
	y, err := c.read(ctx)
	if err != nil {
		return err
	}
	box, err := finishedBox(c.Box, "what nobody may touch")
	if err != nil {
		return err
	}
	answer, err := c.answer(y, &box)
	if err != nil {
		return err
	}
	for _, line := range answer.Lines() {
		fmt.Fprintln(w, report.Wrap(line, width, "  "))
	}
	fmt.Fprintln(w)
	fmt.Fprintln(w, report.Wrap(cautions, width, ""))
	return nil
}

// cautions are printed below every answer.
const cautions = "Before you tap: battery fuse or earth lead off, prove the slot on the vehicle in hand. The earth of the accessory loses less than 0.1 V under load; " +
	"more than 0.2 V is a fault. Never a larger fuse than the slot's own, nothing on airbag, brake or steering circuits. Local rules and your trade's practice come first."

// answer chooses, and works out what goes with the choice.
func (c *feed) answer(y *protocol.Cycle, box *config.Box) (*report.FeedAnswer, error) {
	loads, err := readLoads(c.Load, box)
	if err != nil {
		return nil, err
	}
	want, err := c.want()
	if err != nil {
		return nil, err
	}
	slots := evidence.FeedSlots(y, box, loads)
	if c.Null != "" {
		flows, err := readFlows([]*protocol.Cycle{y}, c.Null, c.Bits, box)
		if err != nil {
			return nil, err
		}
		evidence.AddFlows(slots, flows)
	}
	a := &report.FeedAnswer{Want: want, Choices: judge.ChooseFeed(want, slots), Legends: map[string]string{}, Datum: box.Datum, LengthM: c.Length}
	for i := range box.Slots {
		a.Legends[box.Slots[i].ID] = box.Slots[i].Legend
	}
	if len(a.Choices) > 0 && a.Choices[0].AddedFuseA > 0 {
		wire, err := judge.WireFor(c.wiring(), c.Amps, a.Choices[0].AddedFuseA)
		if err != nil {
			return nil, fmt.Errorf("choose the wire: %w", err)
		}
		a.Wire = &wire
	}
	if c.Parked > 0 {
		if a.Parked, err = c.parked(y); err != nil {
			return nil, err
		}
	}
	return a, nil
}

// parked works out how long the battery lasts with the accessory on it.
func (c *feed) parked(y *protocol.Cycle) (*report.Parked, error) {
	vehicle, known := evidence.VehicleMA(y)
	if c.Vehicle != nil {
		vehicle, known = *c.Vehicle, true
	}
	if !(vehicle >= 0) {
		return nil, fmt.Errorf("--vehicle-ma %g: want a figure from 0", vehicle)
	}
	capacity := float64(usualAh)
	switch {
	case c.Battery != nil:
		capacity = *c.Battery
	case c.Reserve != nil:
		capacity = handbook.ReserveAh(*c.Reserve)
	}
	p := report.Parked{AccessoryMA: c.Parked, VehicleKnown: known, Standby: handbook.Standby{
		CapacityAh: capacity, FromPercent: c.From, LowestPercent: c.Lowest, DrawMA: c.Parked + vehicle}}
	var err error
	p.Days, err = p.Standby.Days()
	return &p, err
}

func (c *feed) want() (judge.Want, error) {
	for name, v := range map[string]float64{"--minimum-v": c.Minimum, "--rides-through-s": c.Rides, "--off-within-s": c.OffAfter, "--fuse-most": c.MostA, "--parked-ma": c.Parked, "--hold-up-uf": c.HoldUp} { // any one is named
		if !(v >= 0 && v <= 1e9) {
			return judge.Want{}, fmt.Errorf("%s %g: want a figure from 0 to 1e9", name, v)
		}
	}
	if !(c.Amps > 0) {
		return judge.Want{}, fmt.Errorf("--amps %g: want a current above 0", c.Amps)
	}
	if c.HoldUp > 0 && c.Minimum == 0 {
		return judge.Want{}, fmt.Errorf("--hold-up-uf %g: say down to which voltage, --minimum-v", c.HoldUp)
	}
	t := handbook.FuseType(c.Type)
	if t != "" && len(handbook.FuseColours(t)) == 0 {
		return judge.Want{}, fmt.Errorf("--fuse %s: no ratings are known of that type; 8820-3-C and 8820-3-F are the usual ones", c.Type)
	}
	w := judge.Want{Switched: c.Kind == "switched", CurrentA: c.Amps, MinimumV: c.Minimum, RidesThroughS: c.Rides, HoldUpF: c.HoldUp * 1e-6, AddedType: t, AddedMostA: c.MostA}
	if c.OffAfter > 0 {
		w.OnAfterOffMostS = &c.OffAfter
	}
	return w, nil
}

func (c *feed) wiring() judge.Wiring {
	back := handbook.ReturnInBody
	if c.Return == "wire" {
		back = handbook.ReturnInWire
	}
	return judge.Wiring{Standard: handbook.ISO6722, LengthM: c.Length, Return: back, DropMostV: c.Drop,
		Laid: handbook.Laid{InsulationC: insulationC, AmbientC: c.Ambient}}
}

// readLoads reads --load: what circuits draw.
func readLoads(typed map[string]string, box *config.Box) (map[string]evidence.Load, error) {
	out := map[string]evidence.Load{}
	var faults []error
	for slot, text := range typed {
		figure, papers := strings.CutSuffix(text, "p")
		a, err := strconv.ParseFloat(figure, 64)
		switch {
		case box.Slot(slot) == nil:
			faults = append(faults, fmt.Errorf("--load %s=%s: box %s has no slot %s", slot, text, box.ID, slot))
		case err != nil || !(a >= 0 && a <= 1000):
			faults = append(faults, fmt.Errorf("--load %s=%s: want amperes, as %s=4.2, or %s=4.2p from the papers", slot, text, slot, slot))
		case papers:
			out[slot] = evidence.Load{A: a, Basis: judge.LoadTyped}
		default:
			out[slot] = evidence.Load{A: a, Basis: judge.LoadWorstCase}
		}
	}
	slices.SortFunc(faults, func(a, b error) int { return strings.Compare(a.Error(), b.Error()) })
	return out, errors.Join(faults...)
}
