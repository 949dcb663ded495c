package vehicle

import (
	"math"
	"math/rand/v2"
	"sync"

	"keyturn/adc"
)

// Terminal is what feeds a circuit of a board.
type Terminal uint8

// The feeds. NoFeed is a slot that nothing feeds.
const (
	NoFeed Terminal = iota
	Terminal30
	Terminal75
	Terminal15
	Terminal50
	Terminal61
)

// BoardSlot is one slot of a board.
type BoardSlot struct {
	Feed Terminal
	// SourceOhm is the resistance of the feed; 0.05 is a sound one.
	SourceOhm float64
	// GhostV and GhostOhm are volts without strength while it is not fed.
	GhostV, GhostOhm float64
	// LoadOhm is the bench's test load in it.
	LoadOhm float64
	// StaysOnS is how long a delay relay holds it after its feed has gone.
	StaysOnS float64
	// Switched: it is fed only while the switch beside it is closed too.
	Switched bool
	// OffInStart: what feeds it lets go while terminal 50 is live.
	OffInStart bool
	// FedBy is the slot, from 1, whose volts come in from its load side while it is not
	// fed itself, through FedByOhm; 0 for none.
	FedBy    int
	FedByOhm float64
}

// BoardOptions shapes a board.
type BoardOptions struct {
	Start adc.Instant
	Seed  uint64
	Slots []BoardSlot
	// Dips: a start pulls the bench supply down.
	Dips bool
	// ByHand: a person turns the key, and no watchdog holds the supply of the relays.
	ByHand bool
	// Shorted: the supply's limited current flows to earth.
	Shorted bool
	// BothSides: a lead is on the load side of each slot too, where its load and bleed
	// resistor then are.
	BothSides bool
}

// Board is a box or training board on a bench supply, whose relays, loads and bleed
// resistors are switched while time goes on. Its leads are the battery sense lead, those
// on the terminals 75, 15 and 50, and one in each slot. Waves are asked by one goroutine,
// Switch and Closed by any.
type Board struct {
	o     BoardOptions
	waves []*Wave

	mu           sync.Mutex
	rng          *rand.Rand
	built        adc.Instant
	moves        []boardMove // to come, in the order of time
	relays       [Terminal61 + 1]bool
	fedAt        []adc.Instant // when each slot was fed last
	switched     []bool
	shown        []shown
	feed, behind []shown // of each slot, with its fuse out
	loads        []bool
	bleeds       []bool
	out          []bool // slots whose fuse is out
	engine       start  // what turns in every start: a supply and a load, which repeat themselves
	starter      start  // the latest
	started      bool   // the relay of terminal 50 is closed
	pulsed       adc.Instant
}

// boardMove is a contact that moves.
type boardMove struct {
	at   adc.Instant
	what Contact
	on   bool
}

// Contact names a contact of a board: a relay, or the load or bleed resistor of a slot.
type Contact struct {
	Relay       Terminal
	Load, Bleed int // slot, from 1; 0 for none
	Switch      int // that beside a slot, from 1; 0 for none
	Fuse        int // of a slot, from 1; 0 for none; on is in, as it is at first
}

// Figures of a board: 12.6 V behind 20 mΩ, sound wiring of 50 mΩ, relays that operate in
// 6 ms and release in 4 (data sheets of 12 V vehicle relays), 10 kΩ bleed resistors. The
// relays' supply drops 120 ms after the last pulse.
const (
	boardV       = 12.6
	boardOhm     = 0.02
	boardChargeV = 1.6 // more while the dynamo turns
	boardBleed   = 10e3
	operateNS    = 6e6
	releaseNS    = 4e6
	pulseHoldNS  = 120e6
	boardStepNS  = 500e3
	floatingOhm  = 1e9
	terminalOhm  = 0.05
	terminalLead = 1 // the first of three
	boardFuseOhm = 0.006
	boardShortV  = 0.4 // a limited current through a short and its wires
)

// NewBoard returns a board with everything off.
func NewBoard(o BoardOptions) *Board {
	b := &Board{o: o, rng: rand.New(rand.NewPCG(o.Seed, 0xb0a4d)), built: o.Start, loads: make([]bool, len(o.Slots)), bleeds: make([]bool, len(o.Slots)), out: make([]bool, len(o.Slots)),
		feed: make([]shown, len(o.Slots)), behind: make([]shown, len(o.Slots)), fedAt: make([]adc.Instant, len(o.Slots)), switched: make([]bool, len(o.Slots)), shown: make([]shown, o.leads())}
	for range o.leads() {
		w := &Wave{f: newFilter(upperOhm, lowerOhm, farad), t: o.Start, more: b.extend}
		b.waves = append(b.waves, w)
	}
	b.waves[0].y = boardV
	b.engine = newStart(b.rng, boardV, 0, 0, false)
	return b
}

// leads is how many leads a board has: the sense lead, those on the terminals, and those
// in the slots, the load sides' last.
func (o *BoardOptions) leads() int {
	n := terminalLead + 3 + len(o.Slots)
	if o.BothSides {
		n += len(o.Slots)
	}
	return n
}

// Wave returns the voltage at a lead's pin.
func (b *Board) Wave(lead int) *Wave { return b.waves[lead] }

// LoadSide is the number of the lead on the load side of a slot, from 0.
func (b *Board) LoadSide(slot int) int { return terminalLead + 3 + len(b.o.Slots) + slot }

// Switch commands a contact at an instant; a relay moves a little later.
func (b *Board) Switch(at adc.Instant, what Contact, on bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	delay := adc.Instant(releaseNS)
	if on {
		delay = operateNS
	}
	b.moves = append(b.moves, boardMove{max(at+delay, b.built), what, on})
}

// Pulse says that the watchdog line changed.
func (b *Board) Pulse(at adc.Instant) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.pulsed = at
}

// Supplied reports whether pulses hold the supply of relays and loads.
func (b *Board) Supplied(at adc.Instant) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.supplied(at)
}

func (b *Board) supplied(at adc.Instant) bool {
	return b.o.ByHand || b.pulsed != 0 && at < b.pulsed+pulseHoldNS
}

// Closed reports whether the contact of a relay is closed, as of the latest instant.
func (b *Board) Closed(t Terminal) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.closed(t, b.built)
}

func (b *Board) closed(t Terminal, at adc.Instant) bool {
	return t == Terminal30 || b.relays[t] && b.supplied(at)
}

// extend builds what the leads see, up to an instant.
func (b *Board) extend(until adc.Instant) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, w := range b.waves {
		w.forget()
	}
	for b.built < until {
		to := b.built + boardStepNS
		b.move(b.built)
		b.build(b.built, to)
		b.built = to
	}
}

// move lets the contacts move that are due.
func (b *Board) move(at adc.Instant) {
	rest := b.moves[:0]
	for _, m := range b.moves {
		if m.at > at {
			rest = append(rest, m)
			continue
		}
		switch {
		case m.what.Load > 0:
			b.loads[m.what.Load-1] = m.on
		case m.what.Bleed > 0:
			b.bleeds[m.what.Bleed-1] = m.on
		case m.what.Fuse > 0:
			b.out[m.what.Fuse-1] = !m.on
		case m.what.Switch > 0:
			b.switched[m.what.Switch-1] = m.on
		default:
			b.relays[m.what.Relay] = m.on
		}
	}
	b.moves = rest
	switch starting := b.closed(Terminal50, at); {
	case starting && !b.started:
		b.starter, b.started = b.engine, true
		b.starter.from = at
	case !starting && b.started:
		b.starter.to, b.started = at, false
	}
}

// build writes one short stretch of every lead.
func (b *Board) build(from, to adc.Instant) {
	supply := b.supply(to)
	put := func(lead int, v, ohm float64) {
		w := b.waves[lead]
		v0 := v
		if n := len(w.segs); n > 0 && w.segs[n-1].weak < 0.01 && ohm < 100 && w.segs[n-1].v1 > 1 && v > 1 {
			v0 = w.segs[n-1].v1 // no step where nothing switches
		}
		w.segs = append(w.segs, segment{from: from, to: to, v0: v0, v1: v, weak: ohm / (ohm + upperOhm + lowerOhm)})
		b.shown[lead].see(to, v, ohm)
	}
	put(0, supply, boardOhm)
	for k := range 3 {
		if b.closed(Terminal75+Terminal(k), from) {
			put(terminalLead+k, supply, terminalOhm)
		} else {
			put(terminalLead+k, 0, floatingOhm)
		}
	}
	for i := range b.o.Slots {
		b.sides(i, from, to, supply)
		feed, behind := b.slot(i, from, supply)
		put(terminalLead+3+i, feed.v, feed.ohm)
		if b.o.BothSides {
			put(b.LoadSide(i), behind.v, behind.ohm)
		}
	}
}

// source is volts behind a resistance.
type source struct{ v, ohm float64 }

// across is a source with a resistor across it, to earth.
func (s source) across(ohm float64) source {
	if math.IsInf(ohm, 1) {
		return s
	}
	return source{s.v * ohm / (s.ohm + ohm), s.ohm * ohm / (s.ohm + ohm)}
}

// slot is what leads see on both sides of a slot.
func (b *Board) slot(i int, at adc.Instant, supply float64) (feed, behind source) {
	s := &b.o.Slots[i]
	own, back := source{0, floatingOhm}, source{0, floatingOhm}
	if s.FedBy > 0 && b.fed(s.FedBy-1, at) {
		back = source{supply, s.FedByOhm}
	}
	switch {
	case b.fed(i, at):
		own = source{supply, s.SourceOhm}
	case back.v > 0:
		own = back
	case s.GhostOhm > 0:
		own = source{s.GhostV, s.GhostOhm}
	}
	ohm := b.toEarth(i, at)
	switch {
	case !b.o.BothSides:
		own = own.across(ohm)
		return own, own
	case b.out[i]:
		if own == back {
			own = source{0, floatingOhm} // what comes from behind stays there
		}
		return own, back.across(ohm)
	}
	return own.across(boardFuseOhm + ohm), source{own.v, own.ohm + boardFuseOhm}.across(ohm)
}

// toEarth is what a slot's load and bleed resistor have to earth, in ohms.
func (b *Board) toEarth(i int, at adc.Instant) float64 {
	siemens := 0.0
	if b.loads[i] && b.supplied(at) {
		siemens += 1 / b.o.Slots[i].LoadOhm
	}
	if b.bleeds[i] && b.supplied(at) {
		siemens += 1 / boardBleed
	}
	return 1 / siemens
}

// fed reports whether a slot's own feed is live, and notes it for what stays on.
func (b *Board) fed(i int, at adc.Instant) bool {
	s := &b.o.Slots[i]
	switch {
	case s.Feed == NoFeed, s.Switched && !b.switched[i], s.OffInStart && b.closed(Terminal50, at):
		return false
	case b.closed(s.Feed, at):
		b.fedAt[i] = at
		return true
	}
	return b.fedAt[i] != 0 && at < b.fedAt[i]+nano(s.StaysOnS)
}

// supply is the bench supply's voltage.
func (b *Board) supply(at adc.Instant) float64 {
	if b.o.Shorted {
		return boardShortV
	}
	v := boardV
	for i, s := range b.o.Slots {
		if b.loads[i] && !(b.o.BothSides && b.out[i]) && b.supplied(at) && s.Feed != NoFeed && b.closed(s.Feed, at) {
			v -= boardOhm * boardV / (s.LoadOhm + s.SourceOhm)
		}
	}
	if b.closed(Terminal61, at) {
		v += boardChargeV
	}
	if s := &b.starter; b.o.Dips && s.from != 0 {
		ended := -1.0
		if s.to != 0 {
			ended = float64(at-s.to) * 1e-9
		}
		v -= s.sag(float64(at-s.from)*1e-9, ended, boardV)
	}
	return v
}
