package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/unix"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// show prints what a subscriber gets, as it gets it.
type show struct {
	out   io.Writer
	width int
	json  bool
	once  bool // nothing is shown after the first final cycle
	// dashboard is its address, shown again below each table: the first has scrolled
	// away. Empty without one.
	dashboard string
	// hides keeps to itself what was measured: the answers of who practises.
	hides   bool
	ended   bool
	final   protocol.ResultHeader // of the final cycle that came last
	kept    bool                  // a record keeper has it
	legends map[string]string
	since   int64  // zero of the times shown: the bench's first document
	turning string // id of the cycle whose key moves are shown
	keys    int    // how many of them have been
	battery string // the battery sense lead
	cycle   string // id of the cycle last set as a table
}

func newShow(out io.Writer, width int, asJSON bool) *show {
	return &show{out: out, width: width, json: asJSON, legends: map[string]string{}}
}

// hello says what is about to happen.
func (s *show) hello(sim *simulation, broker string) {
	fmt.Fprintf(s.out, "keyturn demo: a simulated vehicle, %d slots, %d leads on %d chips; results at %s under %s/v1/%s/\n",
		len(sim.bench.Slots), len(sim.bench.Leads), len(sim.bench.Chips), broker, protocol.DefaultRoot, demoBench)
	fmt.Fprintf(s.out, "The key turns by itself. On a real vehicle: neutral or park, handbrake on, clear of the engine. Ctrl-C ends.\n\n")
	s.tellDashboard()
}

// begin says how an exercise is done without a bench.
func (s *show) begin(p *practice) {
	s.hides = true
	fmt.Fprintf(s.out, "keyturn demo: %s, on a simulated box of %d slots\n\n", p.file.Title, len(p.slots))
	fmt.Fprintf(s.out, "1. Open %sexercises and begin: the cautions, then the questions.\n", s.dashboard)
	fmt.Fprintf(s.out, "2. In another window open %spractice: turn the key, hold the two tips of the meter.\n", s.dashboard)
	fmt.Fprintf(s.out, "3. Key off, hand in, then turn the key through every position and off again; with the key on, close and open every switch.\n")
	fmt.Fprintf(s.out, "Marks come when the bench has watched %d s after key-off; what it measured is not shown here. Ctrl-C ends.\n\n", practiceWatchS)
}

// tellDashboard says where it is.
func (s *show) tellDashboard() {
	if s.dashboard != "" {
		fmt.Fprintf(s.out, "Dashboard: %s\n\n", s.dashboard)
	}
}

// take prints a document and reports whether it is a final cycle.
func (s *show) take(_ string, payload []byte) (final bool) {
	d, err := protocol.Decode(payload)
	if r, ok := d.(*protocol.Receipt); ok {
		s.kept = s.final.Seq > 0 && r.Stream == s.final.Stream && r.UpToSeq >= s.final.Seq
	}
	if s.ended {
		return false
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "keyturn: a document that cannot be read:", err)
		return false
	}
	c, isCycle := d.(*protocol.Cycle)
	if isCycle && c.Final {
		s.final, s.ended = c.ResultHeader, s.once
	}
	if s.json {
		if isCycle && c.Final {
			var b bytes.Buffer
			if json.Indent(&b, payload, "", "  ") == nil {
				fmt.Fprintln(s.out, b.String())
			}
		}
		return isCycle && c.Final
	}
	if s.since == 0 {
		s.since = d.Head().MonoNS
	}
	s.print(d)
	return isCycle && c.Final
}

// print prints what a document says to a person.
func (s *show) print(d protocol.Document) {
	switch d := d.(type) {
	case *protocol.Bench:
		for _, x := range d.Slots {
			s.legends[x.Slot] = string(x.Legend)
		}
		s.battery = string(d.BatterySense)
	case *protocol.TransitionResult:
		if s.hides {
			return
		}
		if text := report.Transition(d, s.legends[string(d.Slot)], s.since); text != "" {
			fmt.Fprintln(s.out, text)
		}
	case *protocol.CrankResult:
		if d.Lead == s.battery && !s.hides {
			fmt.Fprintln(s.out, report.Crank(d, "battery", s.since))
		}
	case *protocol.Cycle:
		s.turned(d)
		if d.Final && d.ID != s.cycle {
			if s.cycle = d.ID; s.hides {
				fmt.Fprintln(s.out, "The bench has watched to the end of this key cycle.")
				return
			}
			fmt.Fprintf(s.out, "\nKey cycle %s\n%s\n", d.ID, report.Table(d, s.width))
			if !s.once {
				s.tellDashboard()
			}
		}
	}
}

// turned prints the moves of the key that an open cycle has gained.
func (s *show) turned(c *protocol.Cycle) {
	if c.ID != s.turning {
		s.turning, s.keys = c.ID, 0
	}
	for ; s.keys < len(c.Key); s.keys++ {
		fmt.Fprintln(s.out, report.KeyMoved(&c.Key[s.keys], s.since))
	}
}

// terminalWidth asks a terminal for its columns; elsewhere lines are long.
func terminalWidth(f *os.File) int {
	const elsewhere = 130
	w, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	if err != nil || w.Col < 20 {
		return elsewhere
	}
	return int(w.Col)
}
