package main

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"syscall"
	"time"

	"keyturn/cmd/internal/parts"
	"keyturn/daemon/config"
	"keyturn/daemon/drive"
	"keyturn/daemon/drive/drivetest"
)

// moment is something that a program asks of its lines; stage says which, turn how many
// turns of its loop it was after the nth.
type moment struct {
	stage   string
	n, turn int
}

// The stages of a program's life.
const (
	opening  = "opening"  // the nth write, before its loop turns
	waiting  = "waiting"  // the nth turn with the key switch on, as it was left
	arming   = "arming"   // the turn that sees it off, then the one that sees it on again
	pulsing  = "pulsing"  // the nth change of the watchdog's line, before anything goes on
	changing = "changing" // the nth change of any other
	after    = "after"    // a turn after that
	ending   = "ending"   // the nth write once it was told to end
)

// kill says where a program is killed: as its line changes and it does not know yet, or
// before it does. It waits for an answer then; what it does between two questions does not
// reach its lines, so these are all the instants that they can tell apart. If end is set, it is told to end there, and killed on its way.
type kill struct {
	at, end moment
	before  bool
}

// reached reports whether a program is where it is to be killed. On a busy machine a step may
// be over before its loop has turned so often: then the change that ends it will do.
func (k kill) reached(m moment) bool {
	return m != moment{} && (m == k.at || k.at.stage == after && m.stage == changing && m.n > k.at.n)
}

// outside is what outlives a program: its wires, the board behind them, the key switch.
type outside struct {
	bench  config.Bench
	child  child
	wrong  *amiss
	board  *drivetest.Board
	rng    *rand.Rand
	began  time.Time
	later  time.Duration // by how much the board's time is ahead of ours
	output map[byte]int  // by offset
	other  map[byte]config.Line
	seen   map[string]int

	life
}

// life is what is known of one program.
type life struct {
	stage                   string
	key                     bool          // the key switch is on
	turned                  time.Duration // its loop, last
	answered, before        time.Duration // the latest question, and the last before that turn
	turns                   int           // in the stage, or since the latest change
	writes, pulses, changes int
	unasked                 string // line that went high before it was armed
	told                    bool   // to end
	whole                   bool   // its script went to its end
	disturbed               bool   // the machine was too busy to tell what it saw
	stuck                   bool   // it goes on turning, and nothing comes of it
}

const (
	// waitingTurns is for how many turns at least a program is watched that nobody arms.
	waitingTurns = 30
	// heldTurns is how many turns a program that nobody arms waits for the watchdog relay to
	// let go, some 1.5 s; one that is welded never does. turnsMost is how many it may turn
	// after a change: some 10 s.
	heldTurns = 300
	turnsMost = 2000
	// lateMost is how late a write may be for the judge to tell what the program meant.
	lateMost = 20 * time.Millisecond
	// hearWithin is how long a program may take to its next word.
	hearWithin = 20 * time.Second
	// laterBy is how long nobody starts a program that was killed, where it is not at once.
	laterBy = 300 * time.Millisecond
)

func newOutside(files parts.Files, c child, w *amiss, seed uint64) *outside {
	o := &outside{bench: files.Read, child: c, wrong: w, rng: rand.New(rand.NewPCG(seed, 9)), began: time.Now(),
		output: map[byte]int{}, other: map[byte]config.Line{}, seen: map[string]int{}}
	o.anew()
	return o
}

// anew makes a board on which nothing was.
func (o *outside) anew() {
	kinds := map[string]drivetest.Kind{config.RoleTerminal75: drivetest.Accessory, config.RoleTerminal15: drivetest.On, config.RoleTerminal50: drivetest.Start,
		config.LineTestLoad: drivetest.Load, config.LineBleedResistor: drivetest.Bleed, config.LineWatchdog: drivetest.Watchdog}
	var lines []drivetest.Line
	for i, x := range o.bench.Outputs() {
		o.output[byte(x.Offset)] = i
		lines = append(lines, drivetest.Line{Name: x.Name, Kind: kinds[x.Role], Slot: x.Slot, Ohm: x.Ohm, Watt: x.Watt})
	}
	for _, x := range o.bench.Lines {
		o.other[byte(x.Offset)] = x
	}
	o.board = drivetest.NewBoard(lines, judged, o.now())
	o.board.Judge().Supply(12.6)
	o.board.Holds = time.Duration(60+o.rng.IntN(141)) * time.Millisecond
	if o.wrong.board != nil {
		o.wrong.board(o.board)
	}
}

func (o *outside) now() time.Duration { return time.Since(o.began) + o.later }

// live runs a program until it is killed, or ends by itself, and tells heard of each of its
// moments. It says whether it was killed.
func (o *outside) live(k kill, heard func(moment)) (killed bool, err error) {
	p, err := start(o.child)
	if err != nil {
		return false, err
	}
	defer o.gone()
	defer p.end()
	o.life = life{stage: opening, key: true}
	for o.fault() == "" && !o.disturbed && !o.stuck {
		var a asked
		if err := p.ask.SetReadDeadline(time.Now().Add(hearWithin)); err != nil {
			return false, err
		}
		if _, err := io.ReadFull(p.ask, a[:]); errors.Is(err, io.EOF) {
			o.whole = p.cmd.Wait() == nil
			return false, nil
		} else if err != nil {
			p.end()
			return false, fmt.Errorf("%w; it said %s", err, p.said.String())
		}
		m := o.next(a)
		here := k.reached(m)
		if here && k.before {
			o.count(m)
			return true, nil
		}
		is := o.take(a)
		heard(m)
		switch {
		case here:
			o.count(m)
			return true, nil
		case m == k.end && m != (moment{}) && !o.told:
			if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
				return false, err
			}
			o.told, o.writes = true, 0
		}
		if _, err := p.answer.Write(is[:]); err != nil && !errors.Is(err, syscall.EPIPE) {
			return false, err
		}
	}
	return false, nil
}

// count notes what was on when a program was killed.
func (o *outside) count(m moment) {
	o.seen["killed "+m.stage]++
	for i, x := range o.bench.Outputs() {
		if o.board.Carries(i) {
			o.seen["killed with "+x.Name+" on"]++
		}
	}
}

// next is what a program is about to do.
func (o *outside) next(a asked) moment {
	line, isOutput := o.output[a[1]]
	switch {
	case a[0] == 'r' && o.other[a[1]].Role == config.LineKeySwitch:
		return o.turn()
	case a[0] == 'r' || !isOutput:
		return moment{}
	case o.told:
		o.writes++
		return moment{ending, o.writes, 0}
	case o.stage == opening:
		o.writes++
		return moment{opening, o.writes, 0}
	case o.board.High(line) == (a[2] != 0):
		return moment{}
	case o.bench.Outputs()[line].Role != config.LineWatchdog:
		o.changes, o.turns = o.changes+1, 0
		return moment{changing, o.changes, 0}
	case o.changes == 0:
		o.pulses++
		return moment{pulsing, o.pulses, 0}
	}
	return moment{}
}

// turn is a turn of a program's loop, which begins with its look at the key switch. It is
// left on at first; then somebody turns it off, and on again.
func (o *outside) turn() moment {
	o.turns++
	o.stuck = o.turns > turnsMost || o.stage == waiting && o.turns > heldTurns
	switch {
	case o.stage == opening:
		o.stage, o.turns = waiting, 1
	case o.stage == waiting && o.turns > waitingTurns && !o.board.Held():
		o.stage, o.turns, o.key = arming, 1, false
	case o.stage == arming && o.turns == 2:
		o.key = true
	case o.stage == arming && o.turns > 2:
		o.stage, o.turns = after, 1
	}
	if o.stage == after {
		return moment{after, o.changes, o.turns}
	}
	return moment{o.stage, o.turns, 0}
}

// take does what a program asks, and lets the judge see it.
func (o *outside) take(a asked) told {
	now, j := o.now(), o.board.Judge()
	o.board.Pass(now)
	x, level := o.other[a[1]], false
	line, isOutput := o.output[a[1]]
	if a[0] == 'w' && isOutput && o.stage == after && o.late(line, a[2] != 0, now) {
		o.disturbed = true
		return told{}
	}
	if a[0] == 'w' && isOutput && !(o.wrong.stale && o.stage == opening && x.Role != config.LineWatchdog) {
		o.board.Write(now, line, a[2] != 0)
	}
	if armed := o.stage == after || o.stage == arming && o.key; a[0] == 'w' && a[2] != 0 && !armed {
		o.unasked = x.Name
	}
	switch {
	case a[0] == 'w':
		level = a[2] != 0
	case x.Role == config.LineKeySwitch:
		level = o.key
		if j.Turned(true); o.stage == waiting && o.turns == 1 {
			j.Begins()
			o.turned = now
		}
		// Whether the program saw a turn as so late is between two looks at a clock.
		o.disturbed = now-o.turned > drive.DeadMan
		o.turned = now
		j.Turn(drivetest.View{Armed: o.key, StopReleased: true, SupplyV: 12.6, LowV: 11})
	case x.Role == config.LineEmergencyStop: // the first that it asks once it knows the time
		level, o.before = true, o.answered
	case x.Role == config.LineReadBack:
		of := slices.IndexFunc(o.bench.Outputs(), func(l config.Line) bool { return l.Name == x.Of })
		level = o.board.Carries(of)
		if o.bench.Outputs()[of].Role == config.LineWatchdog {
			level = o.board.Held()
		}
	}
	o.answered = now
	var is told
	if level {
		is[0] = 1
	}
	for i := range o.bench.Outputs() {
		if o.board.Carries(i) {
			is[1] |= 1 << i
		}
	}
	return is
}

// late reports whether a write comes so late after the program thought of it that the judge
// cannot tell what it meant: after a turn that stood still, or where it begins a rest.
func (o *outside) late(line int, high bool, now time.Duration) bool {
	role := o.bench.Outputs()[line].Role
	rests := !high && o.board.High(line) && (role == config.RoleTerminal50 || role == config.LineTestLoad)
	return now-o.turned > drive.DeadMan || rests && !o.told && now-o.before > lateMost
}

// gone is told that the program is. The kernel may let its lines go, in the order of their
// opening, or leave them as they were; the next program is started at once, or later.
func (o *outside) gone() {
	o.board.Pass(o.now())
	o.board.Judge().Begins()
	if o.rng.IntN(2) == 0 && !o.wrong.stale {
		o.seen["lines let go"]++
		for _, last := range []bool{false, true} {
			for i, x := range o.bench.Outputs() {
				if (x.Role == config.LineWatchdog) == last {
					o.board.Write(o.now(), i, false)
				}
			}
		}
	}
	if o.rng.IntN(2) == 0 || o.wrong.stale {
		o.seen["started later"]++
		o.later += laterBy
		o.board.Pass(o.now())
	}
}

// fault is the first that was found. A program that nobody has armed writes no line high.
func (o *outside) fault() string {
	if f := o.board.Judge().Fault(); f != "" {
		return f
	}
	if o.unasked != "" {
		return fmt.Sprintf("line %s goes high, and nobody has armed", o.unasked)
	}
	return ""
}

// String says where a program is killed.
func (k kill) String() string {
	how := []string{"killed at"}
	if k.before {
		how[0] = "killed before"
	}
	how = append(how, k.at.stage, fmt.Sprint(k.at.n), fmt.Sprint("turn ", k.at.turn))
	if k.end != (moment{}) {
		how = append(how, fmt.Sprint("told to end after change ", k.end.n))
	}
	return strings.Join(how, " ")
}
