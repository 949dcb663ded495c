// Package attend is somebody at the bench who attends to a script: it shows the cautions,
// takes the confirmation that arms, and prints what happens. It switches nothing itself and
// decides nothing: that is the daemon's.
package attend

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"github.com/mattn/go-isatty"
	"periph.io/x/conn/v3/gpio"

	"keyturn/adc"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/drive"
)

// Attended is a script that somebody at the bench has begun and attends to.
type Attended struct {
	// Brief: the script is a round of a test; which load or bleed resistor is on is left out.
	Brief bool

	bench  config.Bench
	before string
	out    io.Writer
	typed  <-chan string // nil where a key switch arms

	confirmed atomic.Bool
	ready     chan struct{} // closed when it may be armed
	events    chan drive.Event
	armedAt   time.Duration
	position  drive.Position // the latest that was printed
}

// eventsMost is how many events may wait to be printed.
const eventsMost = 256

// Cautions are what is to be read before relays move by themselves.
const Cautions = `Before relays move by themselves:
- Only a box or training board on a bench supply, never a vehicle. No airbag, belt
  tensioner, ABS, steering or brake unit is connected. Nothing at 60 V or above.
- The main fuse is at the supply. The emergency stop is within reach, and was tried today.
- Hands, rings, tools and loose leads are away. Test loads and what feeds them get hot.
- A relay that is off proves nothing: take the supply away before you touch anything.
- Local rules and the practice of your trade come first.
`

// ErrNoTerminal says that nobody could arm the bench.
var ErrNoTerminal = errors.New("a script is armed by somebody at the bench: run it at a terminal, or fit a key switch (arming = \"key-switch\")")

// Armable returns why nobody could arm a bench here; nil if somebody could.
func Armable(b config.Bench, in *os.File) error {
	if b.Drive.Arming == config.ArmingTyped && !isatty.IsTerminal(in.Fd()) {
		return ErrNoTerminal
	}
	return nil
}

// Typed are the lines that somebody types, until there are no more. One reader serves
// everything that is asked in a run, so that no line is lost between two questions.
func Typed(r io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			lines <- strings.TrimSpace(s.Text())
		}
	}()
	return lines
}

// New makes what the daemon drives, on lines that are open. before is printed first; typed
// is where a confirmation comes from, where there is no key switch.
func New(b config.Bench, s drive.Script, lines *parts.Lines, now func() adc.Instant, before string, typed <-chan string, out io.Writer) (*Attended, *daemon.Drive) {
	a := &Attended{bench: b, before: before, out: out, ready: make(chan struct{}), events: make(chan drive.Event, eventsMost)}
	armed := a.confirmed.Load
	if lines.KeySwitch != nil {
		armed = func() bool { return lines.KeySwitch.Read() == gpio.High }
	} else {
		a.typed = typed
	}
	return a, &daemon.Drive{
		Bench: b.Driven(), Script: s, Outputs: lines.Outputs, ReadBack: lines.ReadBack, Stop: lines.Stop, Armed: armed, Now: now, Tell: a.tell,
	}
}

// Stopped says why a script did not go to its end.
type Stopped struct{ Why string }

func (s *Stopped) Error() string { return "the script was stopped: " + s.Why }

// ErrNotArmed says that something else than the bench's id was typed.
var ErrNotArmed = errors.New("nothing was armed: that is not the bench's id")

// errOver is the end of a script that went to its end.
var errOver = errors.New("the script is over")

// Serve runs the daemon until the script is over; else the error says why it is not: a
// Stopped, ErrNotArmed, or what run returned.
func (a *Attended) Serve(ctx context.Context, d *daemon.Drive, run func(context.Context) error) error {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	d.Over = func(stopped string) {
		if stopped == "" {
			stop(errOver)
			return
		}
		stop(&Stopped{stopped})
	}
	talked := make(chan struct{})
	go func() {
		defer close(talked)
		a.talk(ctx.Done(), stop)
	}()
	err := run(ctx)
	cause := context.Cause(ctx)
	stop(nil)
	<-talked
	switch {
	case err != nil:
		return err
	case errors.Is(cause, errOver):
		return nil
	case errors.Is(cause, context.Canceled):
		return errors.New("ended before the script was over: everything was switched off")
	}
	return cause
}

// tell hears of an event; it never waits, and what there is no room for is not printed.
func (a *Attended) tell(e drive.Event) {
	switch e.Kind {
	case drive.Ready:
		select {
		case <-a.ready:
		default:
			close(a.ready)
		}
	case drive.Latched, drive.Ended:
		a.confirmed.Store(false)
	}
	select {
	case a.events <- e:
	default:
	}
}

// talk prints what comes first, asks for the confirmation, and prints what happens until
// stop is closed. giveUp is called where somebody does not want to.
func (a *Attended) talk(stop <-chan struct{}, giveUp func(error)) {
	fmt.Fprint(a.out, a.before)
	select {
	case <-a.ready:
	case <-stop:
		return
	}
	if a.typed == nil {
		fmt.Fprintln(a.out, "\nTurn the key switch on to arm; off switches everything off.")
	} else {
		fmt.Fprintf(a.out, "\nType the bench's id (%s) and press Enter to arm.\nCtrl-C switches everything off.\n", a.bench.ID)
	}
	typed := a.typed
	for {
		select {
		case line, ok := <-typed:
			if typed = nil; !ok || line != a.bench.ID {
				giveUp(ErrNotArmed)
				return
			}
			a.confirmed.Store(true)
		case e := <-a.events:
			a.print(e)
		case <-stop:
			for len(a.events) > 0 { // what is left
				a.print(<-a.events)
			}
			return
		}
	}
}

func (a *Attended) print(e drive.Event) {
	if e.Kind == drive.Armed || a.armedAt == 0 {
		a.armedAt = e.At
	}
	if text := a.words(e); text != "" {
		fmt.Fprintf(a.out, "%7.2f s  %s\n", (e.At - a.armedAt).Seconds(), text)
	}
}

// words is an event in words; empty for what need not be printed.
func (a *Attended) words(e drive.Event) string {
	switch e.Kind {
	case drive.Armed:
		return "armed"
	case drive.Moved:
		if was := a.position; e.Step > 0 && e.Position == was {
			return "" // a load or bleed resistor changes, and says so
		}
		a.position = e.Position
		return "key to " + e.Position.String()
	case drive.Switched:
		if o := a.bench.Outputs()[e.Output]; o.Slot != "" && !a.Brief {
			return fmt.Sprintf("%s %s", o.Name, map[bool]string{true: "on", false: "off"}[e.On])
		}
	case drive.Waiting:
		return "waits, for a start or a test load must rest first"
	case drive.Unsettled:
		return fmt.Sprintf("step %d ended before every slot had settled", e.Step+1)
	case drive.Latched:
		return "everything off: " + e.Why
	case drive.Ended:
		if a.Brief {
			return "round measured, everything off"
		}
		return "script over, everything off"
	}
	return ""
}
