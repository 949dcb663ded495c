package main

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"keyturn/cmd/internal/parts"
	"keyturn/daemon/drive/drivetest"
)

// judged is what the judge is told of the bench that killedBench makes; what stands not
// there is from adc/DRIVE.md.
var judged = drivetest.Limits{StartMax: 300 * time.Millisecond, StartRest: 300 * time.Millisecond, StartsMost: 5, StartsWithin: 10 * time.Minute,
	LoadMax: 300 * time.Millisecond, LoadDuty: 0.5, HeatJ: 10, SupplyHighV: 15}

// Limits as short as they may be, so that a whole script takes little time.
const shortLimits = `arming = "key-switch"
start_max_s = 0.3
start_rest_s = 0.3
load_max_s = 0.3
load_duty = 0.5
`

const keySwitchLine = `
[[line]]
name = "key-switch"
offset = 16
role = "key-switch"
`

// everyStep goes through every kind of step.
const everyStep = `crank_source = "contact-only"
step = [
  { position = "accessory", for_s = 0.03 },
  { position = "on", for_s = 0.03 },
  { position = "on", for_s = 0.03, bleeds = ["f01", "f02"] },
  { position = "on", for_s = 0.02 },
  { position = "on", for_s = 0.05, loads = ["f01"] },
  { position = "on", for_s = 0.02 },
  { position = "start", for_s = 0.05 },
  { position = "on", for_s = 0.03 },
  { position = "off", for_s = 0.02 },
]
`

// amiss is what is made wrong, for the judge to find.
type amiss struct {
	name  string
	finds string
	board func(*drivetest.Board)
	stale bool // what a program writes as it opens its lines does not reach them
	eager bool // a program takes the key switch as seen off
}

// killedBench makes the files of a bench that is killed.
func killedBench(t *testing.T) (parts.Files, child) {
	t.Helper()
	text, err := os.ReadFile(drivenFile)
	if err != nil {
		t.Fatal(err)
	}
	bench := strings.NewReplacer("arming = \"typed\"", shortLimits, "start_rest_s = 20\n", "", "tcp://localhost:1883", "tcp://127.0.0.1:1").Replace(string(text)) + keySwitchLine
	c := child{Bench: filepath.Join(t.TempDir(), "bench.toml"), Script: filepath.Join(t.TempDir(), "script.toml")}
	for name, text := range map[string]string{c.Bench: bench, c.Script: everyStep} { // a file each
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	files, err := parts.Read(c.Bench)
	if err != nil {
		t.Fatal(err)
	}
	return files, c
}

const (
	// triesMost is how often a program is begun again that was disturbed, or stopped its
	// script by itself, because the machine was busy.
	triesMost = 40
	// endingMost is how many writes of a program that ends it is killed at: each line's, and
	// one more.
	endingMost = 8
	// killsLeast is how many kills a script is good for: before and at each of 14 changes and
	// 7 lines that are opened, one after most of them, and those of three ways to its end.
	killsLeast = 80
	// atOnce is how many programs are killed side by side.
	atOnce = 8
)

// record lets a program go to its end, told to end at a moment if that is set, and returns
// its moments.
func record(t *testing.T, files parts.Files, c child, end moment) (all []moment) {
	t.Helper()
	o := newOutside(files, c, &amiss{}, 1)
	for range triesMost {
		all = nil
		if _, err := o.live(kill{end: end}, func(m moment) { all = append(all, m) }); err != nil || o.fault() != "" {
			t.Fatal(err, o.fault())
		}
		if !o.disturbed && o.whole == (end == moment{}) && o.told == (end != moment{}) {
			return all
		}
		o.anew()
	}
	t.Fatalf("no script went to its end in %d tries", triesMost)
	return nil
}

// killsOf are kills at every moment that matters of a script.
func killsOf(t *testing.T, files parts.Files, c child) (all []kill) {
	for _, m := range record(t, files, c, moment{}) {
		switch {
		case m.stage == opening, m.stage == changing, m.stage == pulsing && m.n == 1:
			all = append(all, kill{at: m, before: true}, kill{at: m})
		case m.stage == waiting && (m.n == 1 || m.n == waitingTurns), m.stage == arming, m.stage == pulsing && (m.n == 2 || m.n == 31), m.stage == after && (m.turn == 1 || m.turn == 4):
			all = append(all, kill{at: m})
		}
	}
	for _, change := range []int{2, 7, 10} { // with terminals, a load, the starter on
		end := moment{after, change, 2}
		for _, m := range record(t, files, c, end) {
			if m.stage == ending && m.n <= endingMost {
				all = append(all, kill{at: m, end: end, before: m.n%2 == 0})
			}
		}
	}
	return all
}

// killAll kills programs one after the other on a few benches, each with all that was
// before on its own. It returns the first fault, and what happened.
func killAll(t *testing.T, files parts.Files, c child, w *amiss, kills []kill) (fault string, seen map[string]int) {
	t.Helper()
	c.Eager = w.eager
	seen = map[string]int{}
	work := make(chan kill)
	var mu sync.Mutex
	var all sync.WaitGroup
	for bench := range atOnce {
		all.Go(func() {
			o := newOutside(files, c, w, uint64(bench))
			fell := func(k kill) { // once a fault is found nothing more is asked
				mu.Lock()
				found := fault
				mu.Unlock()
				if found != "" {
					return
				}
				found = o.fell(k)
				mu.Lock()
				fault = cmp.Or(fault, found)
				mu.Unlock()
			}
			for k := range work {
				fell(k)
			}
			fell(kill{at: moment{waiting, waitingTurns, 0}}) // the next of the last
			mu.Lock()
			defer mu.Unlock()
			for what, n := range o.seen { // summed up in any order
				seen[what] += n
			}
		})
	}
	for _, k := range kills {
		work <- k
	}
	close(work)
	all.Wait()
	return fault, seen
}

// fell kills a program where it is to be killed, and returns what was found. As each
// begins with the key switch on, it is the next of the one before, too.
func (o *outside) fell(k kill) string {
	for range triesMost {
		killed, err := o.live(k, func(moment) {})
		switch fault := o.fault(); {
		case err != nil:
			return fmt.Sprintf("%v: %v", k, err)
		case fault != "":
			o.anew()
			return fmt.Sprintf("%v: %v", k, fault)
		case killed:
			return ""
		case o.disturbed:
			o.seen["disturbed"]++
			o.anew()
		case o.stuck:
			o.seen["stuck"]++
			o.anew()
		default:
			o.seen["ended by itself"]++
		}
	}
	return fmt.Sprintf("%v: not reached in %d tries", k, triesMost)
}

// However a program dies at whatever step, everything is off within the time of the
// watchdog relay and no limit is broken; and the next one, started while the key switch is
// still on, switches nothing by itself.
func TestKilledAtEveryStep(t *testing.T) {
	files, c := killedBench(t)
	kills := killsOf(t, files, c)
	fault, seen := killAll(t, files, c, &amiss{}, kills)
	if fault != "" {
		t.Error(fault)
	}
	t.Logf("%d kills: %v", len(kills), seen)
	if len(kills) < killsLeast {
		t.Errorf("%d kills, want %d", len(kills), killsLeast)
	}
	for _, what := range []string{"killed opening", "killed waiting", "killed arming", "killed pulsing", "killed changing", "killed after", "killed ending", "lines let go", "started later",
		"killed with relay-75 on", "killed with relay-15 on", "killed with relay-50 on", "killed with load-f01 on", "killed with bleed-f01 on"} {
		if seen[what] < 2 {
			t.Errorf("%s: %d times", what, seen[what])
		}
	}
}

// What is built or written wrong is found.
func TestKillsFindWhatIsWrong(t *testing.T) {
	files, c := killedBench(t)
	var kills []kill
	for n := range 32 { // most are not needed
		kills = append(kills, kill{at: moment{changing, 2 + n%4, 0}})
	}
	for _, w := range []amiss{
		{name: "watchdog relay welded", finds: "after anything was last permitted", board: func(b *drivetest.Board) { b.Welded = true }},
		{name: "slow watchdog relay", finds: "after anything was last permitted", board: func(b *drivetest.Board) { b.Holds = 300 * time.Millisecond }},
		{name: "lines left as they were", finds: "and nothing may", stale: true},
		{name: "armed by a key switch that was never off", finds: "nobody has armed", eager: true},
	} {
		fault, _ := killAll(t, files, c, &w, kills)
		if !strings.Contains(fault, w.finds) {
			t.Errorf("%s: found %q, want %q", w.name, fault, w.finds)
		}
		t.Logf("%s: %s", w.name, fault)
	}
}
