package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/vehicle"
	"keyturn/daemon/config"
	"keyturn/daemon/dashboard"
	"keyturn/daemon/records"
	"keyturn/protocol"
)

// practice is the box of an exercise, simulated, with the exercise's faults in it: the key
// and a hand meter on the dashboard's page, and a bench whose leads are in the slots that
// are asked of.
type practice struct {
	*simulation
	board    *vehicle.Board
	now      func() adc.Instant
	exercise dashboard.Exercise
	file     *config.Exercise
	box      *config.Box
	slots    []string // of the board, in its order

	mu       sync.Mutex
	key      protocol.Position
	switched map[string]bool // switches that are closed
	pulled   map[string]bool // slots whose fuse is out
}

// practiceSlots is how many slots a bench of four chips reaches beside the battery sense
// lead and those on the terminals 75, 15 and 50.
const practiceSlots = 12

// newPractice simulates the box of an exercise in real time.
func newPractice(name string, e *config.Exercise, box *config.Box, broker string) (*practice, error) {
	texts, err := exerciseTexts(name)
	if err != nil {
		return nil, err
	}
	clock, err := adc.NewRealClock()
	if err != nil {
		return nil, fmt.Errorf("read the monotonic clock: %w", err)
	}
	p := &practice{exercise: texts, file: e, now: clock.Now, box: box, key: protocol.PositionOff, switched: map[string]bool{}, pulled: map[string]bool{}}
	for _, s := range slotsOf(e) {
		if s != "" && !slices.Contains(p.slots, s) && box.Refuses(s, e.Subject, false) == "" {
			p.slots = append(p.slots, s)
		}
	}
	if len(p.slots) > practiceSlots {
		return nil, fmt.Errorf("exercise %s is about %d slots; a simulated bench reaches %d", e.ID, len(p.slots), practiceSlots)
	}
	slices.Sort(p.slots)
	start := clock.Now()
	bus := adctest.NewBus(adctest.BusOptions{Seed: 1, Clock: clock, Start: start})
	p.board = vehicle.NewBoard(vehicle.BoardOptions{Start: start, Seed: 1, Dips: true, ByHand: true, Slots: boardSlots(e, box, p.slots)})
	if p.simulation, err = simulate(1, bus, clock, p.bench(e, broker), func(lead int) adctest.Wave { return p.board.Wave(lead) }); err != nil {
		return nil, err
	}
	return p, nil
}

// slotsOf are the slots that an exercise asks of, those with a fault, and those that a
// back-feed comes from.
func slotsOf(e *config.Exercise) (out []string) {
	for i := range e.Questions {
		out = append(append(out, e.Questions[i].Slots...), e.Questions[i].Slot)
	}
	for i := range e.Faults {
		out = append(out, e.Faults[i].Slot, e.Faults[i].From)
	}
	return out
}

// release lets whoever opens the dashboard begin. Records that were kept may have the
// exercise open already.
func (p *practice) release(ctx context.Context, s *records.Store) error {
	open, err := s.Sittings(ctx, true, 0)
	if err != nil {
		return err
	}
	for i := range open {
		if x := &open[i]; x.Bench == demoBench && x.Exercise == p.file.ID && x.Text == string(p.exercise.Text) && x.Box == string(p.exercise.Box) {
			return nil
		}
	}
	_, err = s.Release(ctx, records.Sitting{Exercise: p.file.ID, Title: p.file.Title, Text: string(p.exercise.Text), Box: string(p.exercise.Box), Bench: demoBench})
	return err
}

// soundOhm is the resistance of a sound feed in a vehicle.
const soundOhm = 0.05

// boardSlots are slots that do what the box file expects, with the planted faults.
func boardSlots(e *config.Exercise, box *config.Box, ids []string) (out []vehicle.BoardSlot) {
	feeds := map[string]vehicle.Terminal{
		"permanent": vehicle.Terminal30, "awake": vehicle.Terminal30, "switch-operated": vehicle.Terminal30, "accessory": vehicle.Terminal75,
		"ignition": vehicle.Terminal15, "start-only": vehicle.Terminal50, "engine-running": vehicle.Terminal61,
	}
	for _, id := range ids {
		b := box.Slot(id)
		s := vehicle.BoardSlot{Feed: feeds[b.Expected], SourceOhm: soundOhm, StaysOnS: b.StaysOnMinS, Switched: b.Expected == "switch-operated", OffInStart: b.OffInStart != nil && *b.OffInStart}
		if m := b.StaysOnMaxS; m != nil && b.StaysOnMinS > 0 {
			s.StaysOnS = (b.StaysOnMinS + *m) / 2
		}
		for i := range e.Faults {
			f := &e.Faults[i]
			if f.Slot != id {
				continue
			}
			switch f.Kind {
			case config.OpenCircuit:
				s.Feed = vehicle.NoFeed
			case config.SeriesResistance:
				s.SourceOhm += f.Ohm
			case config.BackFeed:
				s.FedBy, s.FedByOhm = slices.Index(ids, f.From)+1, f.Ohm
			}
		}
		out = append(out, s)
	}
	return out
}

// bench is the bench file: the leads as the board has them.
func (p *practice) bench(e *config.Exercise, broker string) config.Bench {
	b := config.Bench{ID: demoBench, Subject: e.Subject, MQTT: config.MQTT{Broker: broker}}
	b.Limits.WatchS = practiceWatchS
	b.Buses = []config.Bus{{Name: "simulated", Hz: 400000}}
	roles := []string{config.RoleBatterySense, config.RoleTerminal75, config.RoleTerminal15, config.RoleTerminal50}
	for i := range len(roles) + len(p.slots) {
		chip := fmt.Sprintf("adc-%d", i/4+1)
		if i%4 == 0 {
			b.Chips = append(b.Chips, config.Chip{Name: chip, Family: "ads1115", Bus: "simulated", Address: 0x48 + i/4, Rate: 860, RangeV: 4.096})
		}
		l := config.Lead{Name: fmt.Sprintf("lead-%02d", i+1), Chip: chip, Input: i % 4, UpperKOhm: 33, LowerKOhm: 2.7, CapacitorNF: 560}
		if i < len(roles) {
			l.Role = roles[i]
		} else {
			l.Slot = p.slots[i-len(roles)]
			b.Slots = append(b.Slots, config.Slot{Name: l.Slot, Legend: p.box.Slot(l.Slot).Legend})
		}
		b.Leads = append(b.Leads, l)
	}
	return b
}

// practiceWatchS is how long the bench watches after key-off: longer than what a training
// board holds on.
const practiceWatchS = 20

// Key is where the key is.
func (p *practice) Key() protocol.Position {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.key
}

// Turn turns the key.
func (p *practice) Turn(to protocol.Position) {
	positions := map[protocol.Position]adc.Position{protocol.PositionOff: adc.Off, protocol.PositionAccessory: adc.Accessory, protocol.PositionOn: adc.On,
		protocol.PositionStart: adc.Start, protocol.PositionRunning: adc.Running}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.key = to
	p.board.Key(p.now(), positions[to])
}

// Operable are the switches of slots that have one, and every fuse.
func (p *practice) Operable() (out []dashboard.Operable) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, id := range p.slots {
		name := "Slot " + id + ", " + p.box.Slot(id).Legend
		if p.box.Slot(id).Expected == "switch-operated" {
			o := dashboard.Operable{ID: "switch-" + id, Name: name + ", its switch", Is: "open", Do: "Close it"}
			if p.switched[id] {
				o.Is, o.Do = "closed", "Open it"
			}
			out = append(out, o)
		}
		o := dashboard.Operable{ID: "fuse-" + id, Name: name + ", its fuse", Is: "in", Do: "Take it out"}
		if p.pulled[id] {
			o.Is, o.Do = "out", "Put it in"
		}
		out = append(out, o)
	}
	return out
}

// Operate operates a switch or a fuse. The bench's lead is on the feed side, so a fuse that
// is out changes nothing for the bench.
func (p *practice) Operate(id string) {
	what, slot, _ := strings.Cut(id, "-")
	n := slices.Index(p.slots, slot)
	if n < 0 {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	switch what {
	case "fuse":
		p.pulled[slot] = !p.pulled[slot]
	case "switch":
		p.switched[slot] = !p.switched[slot]
		p.board.Switch(p.now(), vehicle.Contact{Switch: n + 1}, p.switched[slot])
	}
}

// The test points of the supply.
const (
	plusPoint  = "plus"
	minusPoint = "minus"
)

// TestPoints are both ends of the supply, and both sides of each slot. What nobody may
// touch is among them, so that it can be left alone.
func (p *practice) TestPoints() []dashboard.TestPoint {
	out := []dashboard.TestPoint{{ID: plusPoint, Name: "supply, plus"}, {ID: minusPoint, Name: "supply, minus"}}
	for i := range p.box.Slots {
		b := &p.box.Slots[i]
		if !slices.Contains(p.slots, b.ID) && p.refused(b.ID) == "" {
			continue
		}
		for _, side := range b.Sides() {
			out = append(out, dashboard.TestPoint{ID: b.ID + "/" + side, Name: "slot " + b.ID + ", " + b.Legend + ", " + side})
		}
	}
	return out
}

// refused says why a slot is not to be touched; empty where it may be.
func (p *practice) refused(slot string) string {
	return p.box.Refuses(slot, p.simulation.bench.Subject, false)
}

// Read is what the meter shows: the mean of its last reading. A tip that is held nowhere
// leaves the meter at nothing.
func (p *practice) Read(red, black string) (figure, unit, why string) {
	if red == "" || black == "" {
		return "", "", "nothing: hold both tips somewhere"
	}
	var v [2]float64
	for i, point := range []string{red, black} {
		slot, _, _ := strings.Cut(point, "/")
		if p.box.Slot(slot) != nil {
			if r := p.refused(slot); r != "" {
				return "", "", "Hands off: " + r
			}
		}
		var ok bool
		if v[i], ok = p.at(point); !ok {
			return "", "", "nothing: there is no such test point"
		}
	}
	return fmt.Sprintf("%.2f", v[0]-v[1]+0), "V", ""
}

// at is the voltage of a test point against the supply's minus.
func (p *practice) at(point string) (v float64, ok bool) {
	switch point {
	case plusPoint:
		return p.board.Shown(0), true
	case minusPoint:
		return 0, true
	}
	slot, side, _ := strings.Cut(point, "/")
	n := slices.Index(p.slots, slot)
	if n < 0 || !slices.Contains(p.box.Slot(slot).Sides(), side) {
		return 0, false
	}
	p.mu.Lock()
	out := p.pulled[slot]
	p.mu.Unlock()
	feed := p.box.Slot(slot).FeedSide
	if feed == "" {
		feed = p.box.Slot(slot).Sides()[0]
	}
	if !out {
		return p.board.Shown(4 + n), true // the first four leads are the supply's and the terminals'
	}
	feedV, loadV := p.board.FuseOut(n)
	if side == feed {
		return feedV, true
	}
	return loadV, true
}
