package main

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

// attended is a script that somebody at the bench has begun and attends to.
type attended struct {
	bench  config.Bench
	out    io.Writer
	answer io.Reader // what is typed; nil where a key switch arms

	confirmed atomic.Bool
	ready     chan struct{} // closed when it may be armed
	events    chan drive.Event
	armedAt   time.Duration
	position  drive.Position // the latest that was printed
}

// eventsMost is how many events may wait to be printed.
const eventsMost = 256

const cautions = `Before relays move by themselves:
- Only a box or training board on a bench supply, never a vehicle. No airbag, belt
  tensioner, ABS, steering or brake unit is connected. Nothing at 60 V or above.
- The main fuse is at the supply. The emergency stop is within reach, and was tried today.
- Hands, rings, tools and loose leads are away. Test loads and what feeds them get hot.
- A relay that is off proves nothing: take the supply away before you touch anything.
- Local rules and the practice of your trade come first.
`

var errNoTerminal = errors.New("a script is armed by somebody at the bench: run it at a terminal, or fit a key switch (arming = \"key-switch\")")

// readScript reads a script for a bench.
func readScript(name string, b config.Bench) (drive.Script, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return drive.Script{}, fmt.Errorf("read the script: %w", err)
	}
	s, err := config.ParseScript(text, b)
	if err != nil {
		return s, fmt.Errorf("script %s:\n%w", name, err)
	}
	return s, nil
}

// attend makes what the daemon drives, on lines that are open. answer is where a
// confirmation is typed, where there is no key switch.
func attend(b config.Bench, s drive.Script, lines *parts.Lines, now func() adc.Instant, answer io.Reader, out io.Writer) (*attended, *daemon.Drive) {
	a := &attended{bench: b, out: out, ready: make(chan struct{}), events: make(chan drive.Event, eventsMost)}
	armed := a.confirmed.Load
	if lines.KeySwitch != nil {
		armed = func() bool { return lines.KeySwitch.Read() == gpio.High }
	} else {
		a.answer = answer
	}
	return a, &daemon.Drive{
		Bench: b.Driven(), Script: s, Outputs: lines.Outputs, ReadBack: lines.ReadBack, Stop: lines.Stop, Armed: armed, Now: now, Tell: a.tell,
	}
}

// armable returns why nobody could arm a bench here.
func armable(b config.Bench, in *os.File) error {
	if b.Drive.Arming == config.ArmingTyped && !isatty.IsTerminal(in.Fd()) {
		return errNoTerminal
	}
	return nil
}

// serve runs the daemon until the script is over, and returns why it was stopped.
func (a *attended) serve(ctx context.Context, d *daemon.Drive, run func(context.Context) error) error {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	d.Over = func(stopped string) {
		if stopped == "" {
			stop(errOver)
			return
		}
		stop(errors.New("the script was stopped: " + stopped))
	}
	talked := make(chan struct{})
	go func() {
		defer close(talked)
		a.talk(ctx.Done(), func(why string) { stop(errors.New(why)) })
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

// errOver is the end of a script that went to its end.
var errOver = errors.New("the script is over")

// tell hears of an event; it never waits, and what there is no room for is not printed.
func (a *attended) tell(e drive.Event) {
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

// talk prints cautions, asks for the confirmation, and prints what happens until stop
// is closed. giveUp is called where somebody does not want to.
func (a *attended) talk(stop <-chan struct{}, giveUp func(why string)) {
	fmt.Fprint(a.out, cautions)
	select {
	case <-a.ready:
	case <-stop:
		return
	}
	if a.answer == nil {
		fmt.Fprintln(a.out, "\nTurn the key switch on to arm; off switches everything off.")
	} else {
		fmt.Fprintf(a.out, "\nType the bench's id (%s) and press Enter to arm; Ctrl-C switches everything off.\n", a.bench.ID)
		go a.ask(giveUp)
	}
	for {
		select {
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

func (a *attended) print(e drive.Event) {
	if e.Kind == drive.Armed {
		a.armedAt = e.At
	}
	if text := a.words(e); text != "" {
		fmt.Fprintf(a.out, "%7.2f s  %s\n", (e.At - a.armedAt).Seconds(), text)
	}
}

// ask waits for the bench's id.
func (a *attended) ask(giveUp func(why string)) {
	typed, _ := bufio.NewReader(a.answer).ReadString('\n')
	if strings.TrimSpace(typed) != a.bench.ID {
		giveUp("nothing was armed: that is not the bench's id")
		return
	}
	a.confirmed.Store(true)
}

// words is an event in words; empty for what need not be printed.
func (a *attended) words(e drive.Event) string {
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
		if o := a.bench.Outputs()[e.Output]; o.Slot != "" {
			return fmt.Sprintf("%s %s", o.Name, map[bool]string{true: "on", false: "off"}[e.On])
		}
	case drive.Waiting:
		return fmt.Sprintf("waits before %s: start or load must rest", e.Position)
	case drive.Unsettled:
		return fmt.Sprintf("step %d ended before every slot had settled", e.Step+1)
	case drive.Latched:
		return "everything off: " + e.Why
	case drive.Ended:
		return "script over, everything off"
	}
	return ""
}
