package vehicle

import (
	"math"
	"testing"

	"keyturn/adc"
)

// What a hand meter shows at a board, against Ohm's law with the meter's 10 MΩ: a sound
// feed, one through a resistor, volts without strength, and both sides of a slot that is fed
// from its load side, with its fuse out.
func TestHandMeterAtABoard(t *testing.T) {
	const ghostOhm, backOhm = 2.5e6, 47
	b := NewBoard(BoardOptions{Seed: 1, ByHand: true, Slots: []BoardSlot{
		{Feed: Terminal30, SourceOhm: 0.05}, {Feed: Terminal15, SourceOhm: 10}, {GhostV: 12, GhostOhm: ghostOhm},
		{Feed: Terminal15, SourceOhm: 0.05, FedBy: 1, FedByOhm: backOhm}, {Feed: Terminal75, StaysOnS: 2}, {Feed: Terminal30, Switched: true},
	}})
	now := adc.Instant(0)
	pass := func(seconds float64) {
		now += nano(seconds)
		b.extend(now)
	}
	slot := func(i int) float64 { return b.Shown(terminalLead + 3 + i) }
	wants := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 0.005 {
			t.Errorf("%s: %.3f V, want %.3f V", what, got, want)
		}
	}
	pass(1)
	wants("permanent", slot(0), boardV)
	wants("off", slot(1), 0)
	wants("ghost behind 2.5 MΩ", slot(2), 12*10e6/(10e6+ghostOhm))
	wants("fed from its load side", slot(3), boardV*10e6/(10e6+backOhm))
	feed, load := b.FuseOut(3)
	wants("its feed side, fuse out", feed, 0)
	wants("its load side, fuse out", load, boardV*10e6/(10e6+backOhm))
	wants("its switch is open", slot(5), 0)
	b.Switch(now, Contact{Switch: 6}, true)
	b.Key(now, adc.On)
	pass(1)
	wants("through 10 Ω, which no meter sees", slot(1), boardV)
	wants("accessory", slot(4), boardV)
	wants("its switch is closed", slot(5), boardV)
	feed, _ = b.FuseOut(3)
	wants("its feed side with the key on", feed, boardV)
	b.Key(now, adc.Running)
	pass(1)
	wants("the dynamo turns", b.Shown(0), boardV+boardChargeV)
	b.Key(now, adc.Off)
	pass(1)
	wants("held for two seconds", slot(4), boardV)
	pass(2)
	wants("let go", slot(4), 0)
}

// Leads on both sides of a slot, against Ohm's law: with the fuse in the test load's current
// flows through feed and fuse, with it out the load side has what comes from behind or
// nothing.
func TestBothSidesOfASlot(t *testing.T) {
	const sourceOhm, loadOhm, backOhm = 0.05, 4.7, 0.2
	b := NewBoard(BoardOptions{Seed: 1, ByHand: true, BothSides: true, Slots: []BoardSlot{
		{Feed: Terminal30, SourceOhm: sourceOhm, LoadOhm: loadOhm}, {Feed: Terminal15, SourceOhm: sourceOhm, FedBy: 1, FedByOhm: backOhm},
	}})
	now := adc.Instant(0)
	pass := func() {
		now += nano(1)
		b.extend(now)
	}
	wants := func(what string, lead int, want float64) {
		t.Helper()
		w := b.waves[lead]
		if got := w.segs[len(w.segs)-1].v1; math.Abs(got-want) > 1e-6 {
			t.Errorf("%s: %.6f V, want %.6f V", what, got, want)
		}
	}
	feed := func(slot int) int { return terminalLead + 3 + slot }
	pass()
	wants("feed side", feed(0), boardV)
	wants("load side", b.LoadSide(0), boardV)
	b.Switch(now, Contact{Load: 1}, true)
	pass()
	supply := boardV - boardOhm*boardV/(loadOhm+sourceOhm)
	amps := supply / (sourceOhm + boardFuseOhm + loadOhm)
	wants("feed side under load", feed(0), supply-amps*sourceOhm)
	wants("load side under load", b.LoadSide(0), amps*loadOhm)
	b.Switch(now, Contact{Fuse: 1}, false)
	b.Switch(now, Contact{Fuse: 2}, false)
	pass()
	wants("feed side, fuse out", feed(0), boardV)
	wants("load side, fuse out", b.LoadSide(0), 0)
	wants("feed side of the back-fed", feed(1), 0)
	wants("load side of the back-fed", b.LoadSide(1), boardV)
	b.Switch(now, Contact{Fuse: 2}, true)
	pass()
	wants("feed side of the back-fed, fuse in", feed(1), boardV)
}
