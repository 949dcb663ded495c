package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"keyturn/adc"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// leads shows what every lead reads, live: touch one to a battery, and see which
// moves.
type leads struct {
	benchFlags
	Once  bool `help:"Print the leads once and end."`
	Width int  `help:"Columns to print in; 0 asks the terminal." default:"0"`
}

const (
	leadsFirst = 2 * time.Second        // until every lead has been read for a while
	leadsEvery = 200 * time.Millisecond // between two pictures
	// movedLeastV is a movement that somebody made: noise and ripple move less.
	movedLeastV = 0.5
	// noiseMostV is the most that is called noise.
	noiseMostV = 0.1
	// practiceTouch is for how long the practice bench touches a lead.
	practiceTouch = 3 * time.Second
	practiceV     = 12.61
)

// Run shows the leads until it is interrupted.
func (c *leads) Run(ctx context.Context) error {
	p, err := openProbe(ctx, c.benchFlags)
	if err != nil {
		return err
	}
	defer p.Close()
	live := !c.Once && isTerminal(os.Stdout)
	if live {
		// The alternate screen, without a cursor; both are given back at the end.
		fmt.Print("\x1b[?1049h\x1b[?25l")
		defer fmt.Print("\x1b[?25h\x1b[?1049l")
	}
	begin, every := time.Now(), leadsEvery
	if c.Once {
		every = leadsFirst
	}
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		p.touch(time.Since(begin))
		readings, counts := p.readings()
		text := leadsTable(&p.bench, readings, counts, c.width())
		if live {
			text = "\x1b[H" + strings.ReplaceAll(text, "\n", "\x1b[K\n") + "Ctrl-C ends.\x1b[K\n\x1b[J"
		}
		if _, err := io.WriteString(os.Stdout, text); err != nil || c.Once {
			return err
		}
	}
}

func (c *leads) width() int {
	if c.Width > 0 {
		return c.Width
	}
	return terminalWidth(os.Stdout)
}

// touch holds one lead after the other of a practice bench to a battery.
func (p *probe) touch(since time.Duration) {
	for i, h := range p.hands {
		h.hold(0)
		if i == int(since/practiceTouch)%len(p.hands) {
			h.hold(practiceV)
		}
	}
}

func isTerminal(f *os.File) bool {
	_, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	return err == nil
}

// leadsTable sets the leads as lines of at most width columns.
func leadsTable(b *config.Bench, readings []daemon.Reading, counts []adc.Counts, width int) string {
	most := -1
	for i, r := range readings {
		if r.MovedV >= movedLeastV && (most < 0 || r.MovedV > readings[most].MovedV) {
			most = i
		}
	}
	var out strings.Builder
	line := func(lead, where, reads, u, noise, state, age, wired, note string) {
		text := fmt.Sprintf("%-8s %-18.18s %10s %8s %7s  %-8s %6s  %-8s %s", lead, where, reads, u, noise, state, age, wired, note)
		if width < 84 { // what helps to find a lead comes first
			text = fmt.Sprintf("%-8s %-14.14s %9s %-8s %s", lead, where, reads, state, note)
		}
		if r := []rune(text); len(r) > width {
			text = string(r[:width])
		}
		out.WriteString(strings.TrimRight(text, " ") + "\n")
	}
	line("Lead", "Where", "Reads", "± (k=2)", "Noise", "State", "Age", "Wired to", "")
	for i, r := range readings {
		l := &b.Leads[i]
		reads, u, noise, age, note := "-", "", "", "", r.Reason
		if !math.IsNaN(r.V) {
			reads, u = fmt.Sprintf("%.3f V", r.V), fmt.Sprintf("%.3f", 2*r.U)
			noise, age = fmt.Sprintf("%.1f mV", 1e3*r.NoiseV), fmt.Sprintf("%d ms", r.Age.Milliseconds())
		}
		if l.Role == config.RoleCurrent && reads != "-" {
			reads, u, noise = fmt.Sprintf("%.1f mA", 1e3*r.A), fmt.Sprintf("%.1f", 2e3*r.UA), fmt.Sprintf("%.2f mA", 1e6*r.NoiseV/l.ShuntMOhm)
		}
		if r.NoiseV > noiseMostV {
			noise = "moving"
		}
		switch {
		case i == most:
			note = fmt.Sprintf("<-- moved by %.1f V", r.MovedV)
		case r.Overload:
			note = "beyond the range"
		}
		state := report.State(protocol.State(r.State.String()))
		if l.Role == config.RoleCurrent {
			state = "" // it is neither live nor dead
		}
		line(l.Name, whereIs(b, l), reads, u, noise, state, age, fmt.Sprintf("%s in %d", l.Chip, l.Input), note)
	}
	out.WriteByte('\n')
	for _, c := range counts {
		text := fmt.Sprintf("%s: %d samples, %d faults", c.Chip, c.Samples, c.Faults)
		if c.Samples == 0 {
			text += ": does not answer, look at its wiring and address"
		}
		out.WriteString(text + "\n")
	}
	return out.String()
}

// whereIs says where a lead is: its slot with the legend, or its role.
func whereIs(b *config.Bench, l *config.Lead) string {
	if l.Role != config.RoleSlot {
		return strings.ReplaceAll(l.Role, "-", " ")
	}
	text := l.Slot
	for _, s := range b.Slots {
		if s.Name == l.Slot && s.Legend != "" {
			text += " " + s.Legend
		}
	}
	if l.Side != "" {
		text += ", " + l.Side
	}
	return text
}
