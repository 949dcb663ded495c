package daemon

import (
	"flag"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"keyturn/adc/adctest"
	"keyturn/daemon/drive"
	"keyturn/daemon/drive/drivetest"
	"keyturn/daemon/link"
)

// sequences is how many random sequences TestNothingIsLeftOnOverSeeds plays.
var sequences = flag.Int("sequences", 10000, "random sequences of the safety test")

// wrong is what is made wrong, for the judge to find.
type wrong struct {
	name  string
	finds string                 // what the judge says
	bench func(*drive.Bench)     // what the program is told of it
	show  func(*ordeal, *showed) // what it is shown
	board func(*drivetest.Board)
	lines func(*adctest.GPIOLine) // instead of a write that fails
	stale bool                    // a program that begins anew does not drive its lines low
}

// ordeals plays the sequences from one number to another until one is found at fault, and
// says which and why, and what has happened.
func ordeals(t *testing.T, w *wrong, from, to int) (fault string, seen map[string]int) {
	t.Helper()
	file := theDriven(t)
	options := Options{Bench: file.ID, Root: "keyturn", Broker: link.Broker{URL: "tcp://127.0.0.1:1", ClientID: "c"}, Boot: "0123abcd", Params: file.Params(),
		Description: Describe(file, "test 1", func(string) time.Duration { return 6 * time.Millisecond }), Logger: slog.New(slog.DiscardHandler)}
	seen = map[string]int{}
	for n := from; n < to; n++ {
		o := newOrdeal(t, &file, options, uint64(n), w)
		lasts := 8 * time.Second
		if !o.short {
			lasts = 80 * time.Second
		}
		o.play(t.Context(), lasts)
		for what, n := range o.seen { // summed up in any order
			seen[what] += n
		}
		if fault = o.board.Judge().Fault(); fault != "" {
			return fmt.Sprintf("sequence %d, %s; before: %s", n, fault, strings.Join(o.story[max(0, len(o.story)-12):], ", ")), seen
		}
	}
	return "", seen
}

// No sequence of requests, buttons, faults, crashes and restarts leaves a relay or a load
// with current beyond its limits, or at all where nothing is armed.
func TestNothingIsLeftOnOverSeeds(t *testing.T) {
	most := *sequences
	if Raced {
		most /= 20
	}
	const halves = 2
	for half := range halves {
		t.Run(fmt.Sprint(half), func(t *testing.T) {
			t.Parallel()
			fault, seen := ordeals(t, &wrong{}, half*most/halves, (half+1)*most/halves)
			if fault != "" {
				t.Fatal(fault)
			}
			t.Logf("%d sequences: %v", most/halves, seen)
			for _, what := range happenings {
				for _, when := range []string{"", " in a start", " under a load"} {
					if least := most / 2000; seen[what+when] < least {
						t.Errorf("%s%s: %d times, want %d", what, when, seen[what+when], least)
					}
				}
			}
		})
	}
}

// The judge finds whatever limit is forgotten, and a board that is not built as
// adc/DRIVE.md has it.
func TestJudgeFindsWhatIsWrong(t *testing.T) {
	for _, w := range []wrong{
		{name: "longest start", finds: "relay-50 carries current for", bench: func(b *drive.Bench) { b.Limits.StartMax = b.Limits.StartRest }},
		{name: "rest of the starter", finds: "after the last", bench: func(b *drive.Bench) { b.Limits.StartRest = b.Limits.StartMax }},
		{name: "number of starts", finds: "starts within", bench: func(b *drive.Bench) { b.Limits.StartsMost = 20 }},
		{name: "longest load", finds: "carries current for", bench: func(b *drive.Bench) { b.Limits.LoadMax *= 2 }},
		{name: "rest of a load", finds: "of rest", bench: func(b *drive.Bench) { b.Limits.LoadDuty = 0.5 }},
		{name: "heat of a load", finds: " J", bench: func(b *drive.Bench) { b.Outputs[len(b.Outputs)-1].Watt = 500 }},
		{name: "disarming", finds: "nothing may", show: func(o *ordeal, s *showed) { s.armed = o.armed || o.board.High(1) }},
		{name: "arming over the network", finds: "nothing may", show: func(o *ordeal, s *showed) { s.armed = o.armed || o.asked > 0 }},
		{name: "second contact of the stop", finds: "nothing may", show: func(_ *ordeal, s *showed) { s.stop = true }},
		{name: "supply", finds: "nothing may", show: func(_ *ordeal, s *showed) { s.supplyV = 12.6 }},
		{name: "old samples", finds: "nothing may", show: func(o *ordeal, s *showed) { s.sampled = o.now }},
		{name: "standing still", finds: "nothing may", show: func(o *ordeal, _ *showed) { o.skew -= max(0, o.now-o.turned-50*time.Millisecond); o.turned = o.now }},
		{name: "write errors", finds: "and nothing may", lines: func(l *adctest.GPIOLine) { l.Fault = adctest.LineStuckHigh }},
		{name: "low lines at the beginning", finds: "and nothing may", stale: true},
		{name: "watchdog relay welded", finds: "after anything was last permitted", board: func(b *drivetest.Board) { b.Welded = true }},
		{name: "slow watchdog relay", finds: "after anything was last permitted", board: func(b *drivetest.Board) { b.Holds = 300 * time.Millisecond }},
		{name: "no resistors at the gates", finds: "and nothing may", board: func(b *drivetest.Board) { b.Floats = true }},
	} {
		t.Run(w.name, func(t *testing.T) {
			t.Parallel()
			fault, _ := ordeals(t, &w, 0, 5000)
			if !strings.Contains(fault, w.finds) {
				t.Errorf("found %q, want %q", fault, w.finds)
			}
			t.Log(fault)
		})
	}
}
