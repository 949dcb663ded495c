package vehicle

import (
	"fmt"
	"math/rand/v2"
	"time"

	"keyturn/adc"
)

// Options shapes a vehicle.
type Options struct {
	// Start is when its first cycle begins, with the key off.
	Start adc.Instant
	// Tidy makes a pleasant first box: every position visited, no faults.
	Tidy bool
}

// Slot is one fuse position of the vehicle's box.
type Slot struct {
	Name, Legend string
	Leads        []int    // indexes into Vehicle.Leads
	Sides        []string // beside Leads; empty with one lead
}

// Vehicle is the model. What is exported is what a bench is told of its wiring.
type Vehicle struct {
	// Leads are the bench's leads with the calibration and time constants it is
	// told; the true ones differ a little. Chips are adc-1 to adc-4.
	Leads []adc.Lead
	// Slots are the slots under test.
	Slots []Slot
	// BatterySense and the terminals are leads; -1 where there is none.
	BatterySense, Terminal75, Terminal15, Terminal50, Terminal61 int
	// IgnitionSlot is a slot known to be ignition-switched; empty if terminal 15
	// has a lead.
	IgnitionSlot string

	o        Options
	seed     uint64
	rng      *rand.Rand
	circuits []*circuit
	waves    []*Wave
	built    adc.Instant
	cycles   []*cycle
	earth    float64 // share of the battery's fall that shifts the bench's earth
}

// cycle is what was built of one key cycle.
type cycle struct {
	plan      *plan
	truth     Truth
	phenomena []string
}

// LeadCount is the number of leads: four chips of four inputs.
const LeadCount = 16

// New returns the vehicle of a seed.
func New(seed uint64, o Options) *Vehicle {
	v := &Vehicle{o: o, seed: seed, built: o.Start, rng: rand.New(rand.NewPCG(seed, 0xcae))}
	v.BatterySense, v.Terminal75, v.Terminal15, v.Terminal50, v.Terminal61 = 0, -1, -1, -1, -1
	for i := range LeadCount {
		v.addLead(i)
	}
	v.addCircuit("", "", permanent, outlet{}, "") // the battery itself, lead 0
	if o.Tidy || v.rng.IntN(5) > 0 {
		v.Terminal75 = v.addCircuit("", "", accessory, newOutlet(v.rng), "")
		v.Terminal15 = v.addCircuit("", "", ignition, newOutlet(v.rng), "")
		v.Terminal50 = v.addCircuit("", "", startOnly, newOutlet(v.rng), "")
		if !o.Tidy && v.rng.IntN(3) == 0 {
			v.Terminal61 = v.addCircuit("", "", engineRunning, newOutlet(v.rng), "")
		}
	}
	if v.rng.IntN(3) == 0 && !o.Tidy {
		v.earth = 0.02 + 0.04*v.rng.Float64()
	}
	v.fillBox()
	return v
}

// addLead draws a lead's true parts and what the bench is told of them.
func (v *Vehicle) addLead(i int) {
	r := func(u float64) float64 { return 1 + u*v.rng.NormFloat64() }
	f := newFilter(upperOhm*r(0.003), lowerOhm*r(0.003), farad*r(0.02))
	v.waves = append(v.waves, &Wave{f: f, t: v.o.Start, more: v.extend})
	told := func(tau float64) time.Duration { return time.Duration(tau * r(0.004)) }
	v.Leads = append(v.Leads, adc.Lead{
		Name: fmt.Sprintf("lead-%02d", i+1), Chip: fmt.Sprintf("adc-%d", i/4+1), Input: i % 4,
		Tau: told(f.tau), TauFloating: told(f.floating), UTau: 0.005,
		Calibration: adc.Calibration{Gain: f.ratio * r(0.0005), UGain: 0.001, UOffsetV: 0.003, Date: "2026-11-02"},
	})
}

// addCircuit gives a circuit the next free lead and returns it.
func (v *Vehicle) addCircuit(slot, legend string, k kind, o outlet, feature string) int {
	lead := 0
	for _, c := range v.circuits {
		lead += len(c.leads)
	}
	v.circuits = append(v.circuits, &circuit{slot: slot, legend: legend, leads: []int{lead}, kind: k, o: o, feature: feature, feeds: -1})
	return lead
}

// free is how many leads no circuit has yet.
func (v *Vehicle) free() int {
	n := LeadCount
	for _, c := range v.circuits {
		n -= len(c.leads)
	}
	return n
}

// fillBox draws the slots.
func (v *Vehicle) fillBox() {
	names := append([]string(nil), legends...)
	if !v.o.Tidy {
		v.rng.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
	}
	number := 0
	slot := func(k kind, o outlet, feature string) *circuit {
		number++
		v.addCircuit(fmt.Sprintf("f%02d", number), names[number-1], k, o, feature)
		return v.circuits[len(v.circuits)-1]
	}
	direct := newOutlet(v.rng)
	direct.rest = pulled
	source := slot(ignition, direct, "ignition switch")
	fed := len(v.circuits) - 1
	slot(accessory, newOutlet(v.rng), "accessory relay")
	if v.Terminal15 < 0 {
		v.IgnitionSlot = source.slot
	}
	if v.o.Tidy {
		v.fillTidy(slot)
	}
	for v.free() > 0 {
		f := features[drawFeature(v.rng)]
		c := slot(none, newOutlet(v.rng), f.name)
		f.make(v.rng, c)
		if c.backFed > 0 {
			c.feeds = fed
		}
		if v.free() > 0 && c.o.testHz == 0 && v.rng.IntN(12) == 0 {
			c.leads, c.sides = append(c.leads, c.leads[0]+1), []string{"left", "right"}
		}
	}
	for _, c := range v.circuits {
		if c.slot != "" {
			v.Slots = append(v.Slots, Slot{c.slot, c.legend, c.leads, c.sides})
		}
	}
}

// fillTidy is the box of a first demo: one of each thing a fitter should know.
func (v *Vehicle) fillTidy(slot func(kind, outlet, string) *circuit) {
	stays := accessory
	stays.staysOn = true
	dimmed := electronic(v.rng, fast)
	dimmed.pwmHz, dimmed.duty = 180, 0.4
	leaky := electronic(v.rng, fast)
	leaky.rest, leaky.ghost = ghosted, 0.3
	capacitor := newOutlet(v.rng)
	capacitor.rest, capacitor.runDown = runningDown, 0.3
	for _, x := range []struct {
		k kind
		o outlet
	}{
		{permanent, newOutlet(v.rng)}, {stays, newOutlet(v.rng)}, {switched, newOutlet(v.rng)}, {startOnly, newOutlet(v.rng)},
		{engineRunning, newOutlet(v.rng)}, {ignition, dimmed}, {ignition, leaky}, {awake, newOutlet(v.rng)},
		{ignition, capacitor}, {none, newOutlet(v.rng)},
	} {
		if v.free() > 0 {
			slot(x.k, x.o, "")
		}
	}
}

// Wave returns the voltage at a lead's pin.
func (v *Vehicle) Wave(lead int) *Wave { return v.waves[lead] }

// Truth returns what happened in the n-th cycle, from 0.
func (v *Vehicle) Truth(n int) *Truth {
	for len(v.cycles) <= n {
		v.extend(v.built + 1)
	}
	return &v.cycles[n].truth
}

// Phenomena names what the n-th cycle holds, once for each time.
func (v *Vehicle) Phenomena(n int) []string {
	v.Truth(n)
	return v.cycles[n].phenomena
}

// Skips reports whether a key position was skipped or not reached in the n-th
// cycle.
func (v *Vehicle) Skips(n int) bool {
	v.Truth(n)
	return v.cycles[n].plan.skips
}

// Ends returns when the n-th cycle and its watch are over.
func (v *Vehicle) Ends(n int) adc.Instant {
	v.Truth(n)
	return v.cycles[n].plan.end
}

// kinds of cycle by weight.
var cycleKinds = []struct {
	name   string
	weight int
}{
	{"whole", 22}, {"accessory skipped", 11}, {"start skipped", 6}, {"start failed", 8},
	{"double start", 25}, {"stop and restart", 25}, {"accessory only", 3},
}

// extend builds cycles until an instant is covered.
func (v *Vehicle) extend(until adc.Instant) {
	for v.built < until {
		n := len(v.cycles)
		rng := rand.New(rand.NewPCG(v.seed, 0xc0de+uint64(n)))
		name := "whole"
		if !v.o.Tidy {
			x := rng.IntN(100)
			for _, k := range cycleKinds {
				if x -= k.weight; x < 0 {
					name = k.name
					break
				}
			}
		}
		if name == "accessory only" && v.Terminal75 < 0 {
			name = "accessory skipped" // else nothing would tell of the cycle at all
		}
		v.build(rng, newPlan(rng, v.built, name))
	}
}
