package measure_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"keyturn/daemon/measure"
	"keyturn/daemon/measure/spicetest"
)

const bleedOhm, loadOhm = 10e3, 4.7

// The voltages are ngspice's, and so are the resistances that are to be found.
func TestSourcesAgreeWithSpice(t *testing.T) {
	m, _ := spicetest.Run(t, "sources.cir")
	level := func(name string) measure.Level {
		v, ok := m[name]
		if !ok {
			t.Fatalf("ngspice does not tell %s", name)
		}
		return measure.Level{V: v, U: 1e-4}
	}
	loading := func(slot string) (bleed, load *measure.Loading) {
		bleed = &measure.Loading{Open: level("open_" + slot), OpenBattery: level("open_battery"), Loaded: level("bleed_" + slot), LoadedBattery: level("bleed_battery"), Ohm: bleedOhm}
		if slot != "ghost" {
			l := *bleed
			l.Loaded, l.LoadedBattery, l.Ohm, l.UOhm = level("load_"+slot), level("load_"+slot+"_battery"), loadOhm, 0.029
			load = &l
		}
		return bleed, load
	}
	for slot, want := range map[string]struct { // each by itself
		finding measure.SourceFinding
		ohm     float64
	}{"sound": {measure.Feed, 0.05}, "joint": {measure.HighResistance, 0.4}, "ghost": {measure.Ghost, 0}} {
		bleed, load := loading(slot)
		got, r := measure.JudgeSource(bleed, load, 0.001)
		if got != want.finding || math.Abs(r.Ohm-want.ohm) > 0.0002 || want.ohm > 0 && !(r.U > 0 && r.U < 0.05*want.ohm+0.01) {
			t.Errorf("%s is %v with %.4f ± %.4f ohm, want %v with %.4f", slot, got, r.Ohm, r.U, want.finding, want.ohm)
		}
		if got, r := measure.JudgeSource(bleed, nil, 0.001); slot != "ghost" && (got != measure.Feed || r.Ohm != 0) {
			t.Errorf("%s under the bleed resistor alone is %v", slot, got)
		}
	}
	// The ghost's own 47 kohm with the lead's 35.7 kohm beside it: 20.29 kohm by hand.
	if bleed, _ := loading("ghost"); math.Abs(bleed.Strength()-20.29e3) > 10 {
		t.Errorf("the ghost has %.0f ohm", bleed.Strength())
	}
}

// A test load whose wire is off, or whose relay does not close, says nothing of a joint.
func TestLoadWithoutACurrentProvesNoPath(t *testing.T) {
	at := func(v float64) measure.Level { return measure.Level{V: v, U: 0.0005} }
	load := &measure.Loading{Open: at(12.6), OpenBattery: at(12.61), Loaded: at(12.6003), LoadedBattery: at(12.6102), Ohm: loadOhm, UOhm: 0.029}
	if got, r := measure.JudgeSource(nil, load, 0.001); got != measure.Feed || r != (measure.Resistance{}) {
		t.Errorf("%v with %+v", got, r)
	}
	load.Loaded, load.LoadedBattery = at(12.53), at(12.56) // 14 mΩ behind a supply of 20
	if got, r := measure.JudgeSource(nil, load, 0.001); got != measure.Feed || !(r.Ohm > 0) {
		t.Errorf("with a current: %v with %+v", got, r)
	}
}

// Twice the stated uncertainty holds the true resistance 95 times in 100, where noise,
// gains and the resistor are off as they are said to be.
func TestPathUncertaintyHolds(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	const n, uGain, uOhm, noise = 4000, 0.004, 0.029, 0.003
	held := 0
	for range n {
		r := 0.02 + 0.5*rng.Float64()
		battery, inner := 12.2+0.8*rng.Float64(), 0.02
		gainSlot, gainBattery := 1+uGain*rng.NormFloat64(), 1+uGain*rng.NormFloat64()
		ohm := loadOhm * (1 + uOhm*rng.NormFloat64())
		amp := battery / (inner + r + ohm)
		read := func(v, gain float64) measure.Level {
			return measure.Level{V: v*gain + noise*rng.NormFloat64(), U: noise}
		}
		got := measure.Loading{
			Open: read(battery, gainSlot), OpenBattery: read(battery, gainBattery),
			Loaded: read(amp*ohm, gainSlot), LoadedBattery: read(battery-amp*inner, gainBattery), Ohm: loadOhm, UOhm: uOhm,
		}.Path(uGain)
		if math.Abs(got.Ohm-r) <= 2*got.U {
			held++
		}
	}
	if part := float64(held) / n; part < 0.945 || part > 0.97 {
		t.Errorf("twice the uncertainty holds %.1f %% of the truths, want 95", 100*part)
	}
}

func TestSourcesThatCannotBeJudged(t *testing.T) {
	at := func(open, loaded, u float64) *measure.Loading {
		return &measure.Loading{Open: measure.Level{V: open, U: u}, OpenBattery: measure.Level{V: 12, U: u}, Loaded: measure.Level{V: loaded, U: u}, LoadedBattery: measure.Level{V: 12, U: u}, Ohm: 10}
	}
	for _, c := range []struct {
		bleed, load *measure.Loading
		want        measure.SourceFinding
	}{
		{nil, nil, measure.NoSource},
		{at(0.5, 0.5, 0), nil, measure.NoSource},
		{at(math.NaN(), 12, 0), nil, measure.NoSource},
		{nil, at(12, -0.01, 0), measure.Ghost},
		{nil, at(12, 11.88, 0.05), measure.SourceNotProven},
		{nil, at(12, 11.95, 0.001), measure.Feed},
		{nil, at(12, 11.5, 0.001), measure.HighResistance},
	} {
		if got, _ := measure.JudgeSource(c.bleed, c.load, 0); got != c.want {
			t.Errorf("%+v, %+v: %v, want %v", c.bleed, c.load, got, c.want)
		}
	}
}
