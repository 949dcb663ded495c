package vehicle

import (
	"math/rand/v2"

	"keyturn/adc"
)

// kind is what a circuit is to an observer.
type kind struct {
	behaviour string // as messages name it
	follows   []adc.Position
	staysOn   bool // some seconds after key-off
}

// The kinds of circuit by what they do.
var (
	permanent     = kind{behaviour: "permanent"}
	ignition      = kind{behaviour: "ignition", follows: []adc.Position{adc.On, adc.Start, adc.Running}}
	accessory     = kind{behaviour: "accessory", follows: []adc.Position{adc.Accessory, adc.On, adc.Running}}
	startOnly     = kind{behaviour: "start-only", follows: []adc.Position{adc.Start}}
	engineRunning = kind{behaviour: "engine-running", follows: []adc.Position{adc.Running}}
	awake         = kind{behaviour: "awake"}
	switched      = kind{behaviour: "switch-operated"}
	intermittent  = kind{behaviour: "intermittent"}
	none          = kind{behaviour: "none"}
)

// outlet is how a circuit is switched: by which contact, and what its wire does
// when it is off.
type outlet struct {
	contact contact
	rest    rest
	pullIn  float64 // seconds from command to contact, and back
	release float64
	ghost   float64 // rest ghosted: fraction of the battery
	runDown float64 // rest runningDown: time constant in seconds
	ramp    float64 // contact slow: seconds
	// pwmHz and duty switch the output while it is on; 0 if it is not pulsed.
	pwmHz, duty float64
	// testHz are test pulses a second of testMS milliseconds, while it is on
	// (dips) or off (blips), as testOn says.
	testHz, testMS float64
	testOn         bool
	drop           float64 // of the battery's voltage while on, as a fraction
	dropOutV       float64 // relay falls off below; 0 never
}

// contact is the thing that makes and breaks.
type contact uint8

const (
	metal contact = iota // bounces
	fast                 // electronic, as good as a step
	slow                 // electronic, a ramp
)

// rest is what the wire does when off.
type rest uint8

const (
	pulled      rest = iota // a load holds it at earth
	released                // nothing drives it
	ghosted                 // leakage holds it at a fraction of the battery
	runningDown             // a capacitor holds it up for a while
)

// newOutlet draws one. Relay figures: operate 3 to 10 ms, release 2 to 7 ms,
// bounce 1 to 5 ms (data sheets of 12 V vehicle relays; bounce from memory).
func newOutlet(rng *rand.Rand) outlet {
	o := outlet{pullIn: 0.003 + 0.007*rng.Float64(), release: 0.002 + 0.005*rng.Float64(), drop: 0.002 + 0.02*rng.Float64()}
	if rng.IntN(2) == 0 {
		o.rest = released
	}
	return o
}

func electronic(rng *rand.Rand, how contact) outlet {
	o := outlet{contact: how, pullIn: 0.0002, release: 0.0002, drop: 0.002 + 0.01*rng.Float64()}
	if how == slow {
		o.ramp = 0.003 + 0.009*rng.Float64()
	}
	return o
}

// circuit is one slot's circuit through the model's life.
type circuit struct {
	slot, legend string
	leads        []int // one or two, seeing the same wire
	sides        []string
	kind         kind
	o            outlet
	feature      string // the phenomenon it was drawn for
	feeds        int    // index of the circuit that feeds it backwards; -1 if none
	backFed      float64
}

// legends are what the lid says; our own, plain.
var legends = []string{
	"Radio", "Heated screen", "Cigar socket", "Wipers", "Dash lights", "Fuel pump", "Horn", "Cooling fan",
	"Interior lamps", "Mirrors", "Reversing lamps", "Seat heater", "Washer pump", "Trailer socket", "Clock",
	"Side lamps left", "Side lamps right", "Brake lamps", "Alarm", "Injection", "Glow relay", "Door locks",
}

// features are the phenomena a circuit can be drawn for. Each seed draws from
// them so that every one comes often enough.
var features = []struct {
	name   string
	weight int
	make   func(rng *rand.Rand, c *circuit)
}{
	{"permanent", 6, func(rng *rand.Rand, c *circuit) { c.kind = permanent }},
	{"ignition relay", 8, func(rng *rand.Rand, c *circuit) { c.kind = ignition }},
	{"accessory relay", 7, func(rng *rand.Rand, c *circuit) { c.kind = accessory }},
	{"start-only", 5, func(rng *rand.Rand, c *circuit) { c.kind = startOnly }},
	{"engine-running", 6, func(rng *rand.Rand, c *circuit) { c.kind = engineRunning }},
	{"awake", 6, func(rng *rand.Rand, c *circuit) { c.kind = awake }},
	{"switch-operated", 7, func(rng *rand.Rand, c *circuit) { c.kind = switched }},
	{"none", 5, func(rng *rand.Rand, c *circuit) { c.kind = none }},
	{"intermittent", 5, func(rng *rand.Rand, c *circuit) { c.kind = intermittent }},
	{"stays on", 7, func(rng *rand.Rand, c *circuit) {
		c.kind = accessory
		if rng.IntN(2) == 0 {
			c.kind = ignition
		}
		c.kind.staysOn = true
	}},
	{"pulsed", 8, func(rng *rand.Rand, c *circuit) {
		c.kind = ignition
		if rng.IntN(2) == 0 {
			c.kind = switched
		}
		c.o = electronic(rng, fast)
		c.o.pwmHz, c.o.duty = 50+350*rng.Float64(), 0.1+0.8*rng.Float64()
	}},
	{"test pulses", 7, func(rng *rand.Rand, c *circuit) {
		c.kind = ignition
		c.o = electronic(rng, fast)
		c.o.testHz, c.o.testMS = 5+15*rng.Float64(), 0.3+0.7*rng.Float64()
		c.o.testOn = rng.IntN(2) == 0
	}},
	{"high side", 7, func(rng *rand.Rand, c *circuit) {
		c.kind = ignition
		c.o = electronic(rng, fast)
	}},
	{"slow switch", 7, func(rng *rand.Rand, c *circuit) {
		c.kind = accessory
		if rng.IntN(2) == 0 {
			c.kind = ignition
		}
		c.o = electronic(rng, slow)
	}},
	{"ghost", 7, func(rng *rand.Rand, c *circuit) {
		c.kind = ignition
		c.o = electronic(rng, fast)
		c.o.rest, c.o.ghost = ghosted, 0.1+0.4*rng.Float64()
	}},
	{"run-down", 7, func(rng *rand.Rand, c *circuit) {
		c.kind = ignition
		c.o.rest, c.o.runDown = runningDown, 0.1+0.5*rng.Float64()
	}},
	{"back-feed", 6, func(rng *rand.Rand, c *circuit) {
		c.kind = none
		c.backFed = 0.85 + 0.08*rng.Float64()
		if rng.IntN(2) == 0 {
			c.backFed = 0.1 + 0.35*rng.Float64()
		}
	}},
	{"weak relay", 5, func(rng *rand.Rand, c *circuit) {
		c.kind = ignition
		c.o.dropOutV = 8.2 + 0.6*rng.Float64()
	}},
}

// drawFeature draws one of the features by weight.
func drawFeature(rng *rand.Rand) int {
	total := 0
	for _, f := range features {
		total += f.weight
	}
	n := rng.IntN(total)
	for i, f := range features {
		if n -= f.weight; n < 0 {
			return i
		}
	}
	return 0
}
