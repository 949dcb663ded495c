package main

import (
	"math/rand/v2"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/daemon/config"
)

// This file parks a simulated vehicle with a shunt monitor between its battery and
// itself. The key is turned on and off again; nobody cranks through a shunt.

const (
	parkedWatch = 65 * time.Minute
	parkedShunt = 10.0  // mΩ
	parkedRestA = 0.023 // what it draws asleep
	parkedOnAt  = 4 * time.Second
	parkedOffAt = 9 * time.Second
	// parkedRate lets an hour pass in seconds: 61 samples a second of each lead.
	parkedRate = 250
)

// parked is such a vehicle and its bench.
type parked struct {
	*vehicle.Parked
	*simulation
	off adc.Instant
}

// newParked parks the vehicle of a seed.
func newParked(seed uint64, broker string) (*parked, error) {
	at := func(d time.Duration) adc.Instant { return fastStart.Add(d) }
	off := at(parkedOffAt)
	p := vehicle.NewParked(rand.New(rand.NewPCG(seed, 0x9a4)), off, off.Add(parkedWatch), parkedRestA)
	// The alarm wakes it the first time.
	alarm := vehicle.Steps{{At: fastStart}}
	if len(p.Wakes) > 0 {
		w := p.Wakes[0]
		alarm = append(alarm, vehicle.Step{At: w[0], Level: 12.4}, vehicle.Step{At: w[1]})
	}
	waves := []vehicle.Steps{
		{{At: fastStart - 1, Level: 12.5}},
		{{At: at(parkedOnAt), Level: 12.4}, {At: off}},
		{{At: at(parkedOnAt), Level: 12.3}, {At: off.Add(2 * time.Second)}},
		alarm,
	}
	b := parkedBench(broker)
	for i := range waves {
		waves[i] = waves[i].Times(b.Leads[i].LowerKOhm / (b.Leads[i].UpperKOhm + b.Leads[i].LowerKOhm))
	}
	waves = append(waves, p.A.Times(parkedShunt*1e-3))
	bus := adctest.NewBus(adctest.BusOptions{Seed: seed, OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond, Start: fastStart})
	s, err := simulate(seed, bus, nil, b, func(lead int) adctest.Wave { return waves[lead] })
	if err != nil {
		return nil, err
	}
	return &parked{p, s, off}, nil
}

// parkedBench is its bench file.
func parkedBench(broker string) config.Bench {
	b := config.Bench{ID: demoBench, Subject: "vehicle", MQTT: config.MQTT{Broker: broker}}
	b.Limits.WatchS = parkedWatch.Seconds()
	b.Buses = []config.Bus{{Name: "simulated", Hz: 400000}}
	b.Chips = []config.Chip{
		{Name: "adc-1", Family: "ads1115", Bus: "simulated", Address: 0x48, Rate: parkedRate, RangeV: 4.096},
		{Name: "amps-1", Family: "ina226", Bus: "simulated", Address: 0x40},
	}
	b.Slots = []config.Slot{{Name: "f01", Legend: "Radio"}, {Name: "f02", Legend: "Alarm"}}
	lead := func(name string, input int, role, slot string) config.Lead {
		return config.Lead{Name: name, Chip: "adc-1", Input: input, Role: role, Slot: slot, UpperKOhm: 33, LowerKOhm: 2.7, CapacitorNF: 560}
	}
	b.Leads = []config.Lead{
		lead("lead-01", 0, config.RoleBatterySense, ""), lead("lead-02", 1, config.RoleTerminal15, ""),
		lead("lead-03", 2, "", "f01"), lead("lead-04", 3, "", "f02"),
		{Name: "shunt", Chip: "amps-1", Role: config.RoleCurrent, ShuntMOhm: parkedShunt},
	}
	return b
}
