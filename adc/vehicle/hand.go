package vehicle

import "keyturn/adc"

// This file is a board in the hands of a person: the key, and a hand meter.

// Key turns the key of a board, and what it feeds follows. Terminal 61 is live while the
// engine would run.
func (b *Board) Key(at adc.Instant, position adc.Position) {
	on := map[adc.Position][]Terminal{
		adc.Accessory: {Terminal75}, adc.On: {Terminal75, Terminal15}, adc.Start: {Terminal15, Terminal50}, adc.Running: {Terminal75, Terminal15, Terminal61},
	}[position]
	for t := Terminal75; t <= Terminal61; t++ {
		is := false
		for _, x := range on {
			is = is || x == t
		}
		b.Switch(at, Contact{Relay: t}, is)
	}
}

// Hand meters as they are commonly made: 3.3 readings a second, each the mean since the
// one before, behind 10 MΩ (common practice, no published source).
const (
	meterReadingNS = 300e6
	meterOhm       = 10e6
)

// shown is what a hand meter shows of a wire.
type shown struct {
	v      float64 // the last reading
	sum    float64
	from   adc.Instant
	seenTo adc.Instant
}

// see takes in a short stretch of the wire.
func (s *shown) see(to adc.Instant, v, ohm float64) {
	if s.from == 0 {
		s.from, s.seenTo = to, to
		return
	}
	s.sum += v * meterOhm / (meterOhm + ohm) * float64(to-s.seenTo)
	if s.seenTo = to; to-s.from >= meterReadingNS {
		s.v, s.sum, s.from = s.sum/float64(to-s.from), 0, to
	}
}

// Shown is what a hand meter shows of a lead's wire against the negative terminal, in
// volts: its last reading.
func (b *Board) Shown(lead int) float64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.shown[lead].v
}

// sides lets the meter see both sides of a slot as they are with its fuse out.
func (b *Board) sides(i int, from, to adc.Instant, supply float64) {
	s := &b.o.Slots[i]
	feed, behind := 0.0, 0.0
	if b.fed(i, from) {
		feed = supply
	} else if s.GhostOhm > 0 {
		feed = s.GhostV
	}
	if s.FedBy > 0 && b.fed(s.FedBy-1, from) {
		behind = supply
	}
	b.feed[i].see(to, feed, max(s.SourceOhm, s.GhostOhm))
	b.behind[i].see(to, behind, s.FedByOhm)
}

// FuseOut is what a hand meter shows of both sides of a slot, from 0, with its fuse out, in
// volts.
func (b *Board) FuseOut(slot int) (feedV, loadV float64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.feed[slot].v, b.behind[slot].v
}
