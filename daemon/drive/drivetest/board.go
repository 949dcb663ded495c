// Package drivetest is the relay board of adc/DRIVE.md without hardware, and a judge of
// what carries current there. Both are written from that page and share no code with
// what drives the board. The judge knows what a relay is commanded to, not whether its
// contact has welded.
package drivetest

import (
	"slices"
	"time"
)

// Kind is what a line switches.
type Kind uint8

// The kinds of lines: the relays of the terminals 75, 15 and 50, what is across a slot,
// and the line whose changes hold the supply of all others.
const (
	Accessory Kind = iota + 1
	On
	Start
	Load
	Bleed
	Watchdog
)

// Line is a line of a board; high is on.
type Line struct {
	Name string
	Kind Kind
	Slot string
	// Ohm and Watt are a test load's resistance and what it may shed for ever.
	Ohm, Watt float64
}

// Board is what stands between the lines of a program and what carries current: a cable,
// a relay that changes of the watchdog's line hold, an emergency stop in the supply. It
// knows no clock: times are told, on any scale, and never go back. A line keeps the
// level that was written last, whatever becomes of who wrote it.
type Board struct {
	// Holds is how long the watchdog relay holds after the last change, at most 200 ms.
	Holds time.Duration
	// Welded: the watchdog relay never lets go. Floats: gates without a cable are high.
	Welded, Floats bool

	lines    []Line
	watchdog int
	judge    *Judge
	now      time.Duration
	written  []bool
	anew     []bool // it was written since it last began to carry
	carries  []bool
	cut      bool // the cable is off
	stopped  bool
	held     bool
	changed  time.Duration
}

// NewBoard returns a board with every line low, judged by limits. One of its lines must be
// the watchdog's.
func NewBoard(lines []Line, l Limits, at time.Duration) *Board {
	watchdog := slices.IndexFunc(lines, func(l Line) bool { return l.Kind == Watchdog })
	return &Board{Holds: dropWithin, lines: lines, watchdog: watchdog, judge: newJudge(lines, l, at), now: at, written: make([]bool, len(lines)), anew: make([]bool, len(lines)), carries: make([]bool, len(lines))}
}

// Judge is who watches the board.
func (b *Board) Judge() *Judge { return b.judge }

// Write is told the level that is written to a line.
func (b *Board) Write(at time.Duration, line int, high bool) {
	b.Pass(at)
	was := b.pulse()
	b.anew[line] = b.anew[line] || b.written[line] != high
	b.written[line] = high
	b.follow(was)
}

// Plug pulls the cable to the program's machine, or puts it back.
func (b *Board) Plug(at time.Duration, in bool) {
	b.Pass(at)
	was := b.pulse()
	b.cut = !in
	b.follow(was)
}

// Stop presses the emergency stop, or releases it.
func (b *Board) Stop(at time.Duration, pressed bool) {
	b.Pass(at)
	b.stopped = pressed
	b.switchOver()
}

// Pass lets time pass.
func (b *Board) Pass(to time.Duration) {
	if drops := b.changed + b.Holds; b.held && !b.Welded && drops <= to {
		b.judge.pass(drops)
		b.now, b.held = drops, false
		b.switchOver()
	}
	b.judge.pass(to)
	b.now = to
}

// Held reports whether the watchdog relay is closed.
func (b *Board) Held() bool { return b.held }

// Carries reports whether a line's relay or load carries current.
func (b *Board) Carries(line int) bool { return b.carries[line] }

// High reports whether a line was written high.
func (b *Board) High(line int) bool { return b.written[line] }

func (b *Board) gate(line int) bool {
	if b.cut {
		return b.Floats
	}
	return b.written[line]
}

// pulse is the level that the watchdog sees.
func (b *Board) pulse() bool { return b.gate(b.watchdog) }

// follow lets the watchdog answer to a change, and everything else to it.
func (b *Board) follow(was bool) {
	if b.pulse() != was {
		b.held, b.changed = true, b.now
		b.judge.fed()
	}
	b.switchOver()
}

// switchOver lets what the gates say come into effect, first what goes off.
func (b *Board) switchOver() {
	supplied := b.held && !b.stopped
	for _, on := range []bool{false, true} {
		for i, l := range b.lines {
			if now := supplied && l.Kind != Watchdog && b.gate(i); now == on && now != b.carries[i] {
				b.carries[i] = now
				b.judge.switched(i, now, b.anew[i])
				b.anew[i] = b.anew[i] && !now
			}
		}
	}
}
