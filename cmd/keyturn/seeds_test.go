package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"

	"keyturn/adc/vehicle"
	"keyturn/protocol"
)

// keyturn builds the program once and returns its path.
func keyturn(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "keyturn")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return path
}

// cycleOf runs the demo of a seed on simulated time and returns what it printed
// and the truth it wrote.
func cycleOf(program, dir string, seed int) (printed []byte, truth string, err error) {
	truth = filepath.Join(dir, fmt.Sprintf("truth-%d.jsonl", seed))
	c := exec.Command(program, "demo", "--once", "--fast", "--json", "--seed", fmt.Sprint(seed), "--truth", truth)
	var errs bytes.Buffer
	c.Stderr = &errs
	if printed, err = c.Output(); err != nil {
		return nil, "", fmt.Errorf("%w\n%s", err, errs.Bytes())
	}
	return printed, truth, nil
}

// The demo of 200 seeds agrees with the truth of its vehicles: no transition
// missed or invented, every instant in its bracket, every behaviour that the
// cycle decides right and every other left open with the truth among what is
// possible.
func TestSeedsAgreeWithTheTruth(t *testing.T) {
	const seeds = 200 / raceFactor
	program, dir := keyturn(t), t.TempDir()
	tallies := make([]tally, seeds+1)
	var wg sync.WaitGroup
	slots := make(chan struct{}, 2)
	for seed := 1; seed <= seeds; seed++ {
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			printed, file, err := cycleOf(program, dir, seed)
			if err != nil {
				t.Errorf("seed %d: %v", seed, err)
				return
			}
			var c protocol.Cycle
			if err := json.Unmarshal(printed, &c); err != nil {
				t.Errorf("seed %d: %v", seed, err)
				return
			}
			tallies[seed].compare(t, seed, &c, readTruth(t, file))
		})
	}
	wg.Wait()
	var all tally
	for _, x := range tallies {
		all.add(x)
	}
	t.Logf("%d seeds: %d transitions (%d not required), %d behaviours decided, %d rightly left open, %d start minima, %d levels",
		seeds, all.transitions, all.optional, all.decided, all.open, all.minima, all.levels)
	if all.optional*20 > all.transitions {
		t.Errorf("%d of %d transitions are not required, want at most 5 %%", all.optional, all.transitions)
	}
}

// The same seed prints the same bytes twice.
func TestSameSeedSameBytes(t *testing.T) {
	program, dir := keyturn(t), t.TempDir()
	for _, seed := range []int{0, 3, 47} {
		a, _, err := cycleOf(program, dir, seed)
		if err != nil {
			t.Fatal(err)
		}
		b, _, err := cycleOf(program, dir, seed)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) || len(a) == 0 {
			t.Errorf("seed %d: two runs differ", seed)
		}
	}
}

// readTruth reads a truth file.
func readTruth(t *testing.T, name string) vehicle.Truth {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	var truth vehicle.Truth
	for line := range bytes.Lines(data) {
		var kind struct {
			Event     string
			Behaviour string
			Position  string
		}
		var into any
		var x vehicle.Transition
		var b vehicle.Behaviour
		var m vehicle.CrankMinimum
		var v vehicle.Level
		if err := json.Unmarshal(line, &kind); err != nil {
			t.Fatal(err)
		}
		switch {
		case kind.Event != "":
			into = &x
		case kind.Behaviour != "":
			into = &b
		case kind.Position != "":
			into = &v
		default:
			into = &m
		}
		if err := json.Unmarshal(line, into); err != nil {
			t.Fatal(err)
		}
		switch into {
		case any(&x):
			truth.Transitions = append(truth.Transitions, x)
		case any(&b):
			truth.Behaviours = append(truth.Behaviours, b)
		case any(&v):
			truth.Levels = append(truth.Levels, v)
		default:
			truth.Minima = append(truth.Minima, m)
		}
	}
	return truth
}

// tally counts what was compared.
type tally struct{ transitions, optional, decided, open, minima, levels int }

func (y *tally) add(x tally) {
	y.transitions += x.transitions
	y.optional += x.optional
	y.decided += x.decided
	y.open += x.open
	y.minima += x.minima
	y.levels += x.levels
}

// compare holds a cycle against the truth.
func (y *tally) compare(t *testing.T, seed int, c *protocol.Cycle, truth vehicle.Truth) {
	if !c.Final || len(c.Slots) == 0 || len(truth.Behaviours) != len(c.Slots) {
		t.Errorf("seed %d: final %t, %d slots, truth of %d", seed, c.Final, len(c.Slots), len(truth.Behaviours))
	}
	for _, s := range c.Slots {
		i := slices.IndexFunc(truth.Behaviours, func(b vehicle.Behaviour) bool { return b.Slot == s.Slot })
		if i < 0 {
			t.Errorf("seed %d: no truth of slot %s", seed, s.Slot)
			continue
		}
		y.behaviour(t, seed, &s, truth.Behaviours[i])
		for _, l := range s.Leads {
			var want []vehicle.Transition
			for _, x := range truth.Transitions {
				if x.Lead == l.Lead {
					want = append(want, x)
				}
			}
			y.lead(t, seed, c, &l, want)
			y.level(t, seed, &l, truth.Levels)
		}
	}
	if c.Battery != nil {
		y.level(t, seed, c.Battery, truth.Levels)
	}
	for _, m := range truth.Minima {
		y.minimum(t, seed, c, m)
	}
}

func (y *tally) behaviour(t *testing.T, seed int, s *protocol.CycleSlot, b vehicle.Behaviour) {
	truth := protocol.Behaviour(b.Behaviour)
	switch {
	case b.Decidable:
		y.decided++
		if s.Behaviour != truth {
			t.Errorf("seed %d: slot %s is %s %v, truly %s", seed, s.Slot, s.Behaviour, s.Possible, truth)
		}
	default:
		y.open++
		if s.Behaviour != protocol.NotProven || !slices.Contains(s.Possible, truth) {
			t.Errorf("seed %d: slot %s is %s %v, truly %s, which this cycle cannot decide", seed, s.Slot, s.Behaviour, s.Possible, truth)
		}
	}
}

// near is how far a transition without a bracket may be from its truth: pulsing
// is told by its first rise and last fall.
const near = 100e6

// lead pairs the transitions found with the true ones.
func (y *tally) lead(t *testing.T, seed int, c *protocol.Cycle, l *protocol.CycleLead, want []vehicle.Transition) {
	used := make([]bool, len(l.Transitions))
	for _, w := range want {
		y.transitions++
		if !w.Required {
			y.optional++
		}
		at := int64(w.TNS)
		i := slices.IndexFunc(l.Transitions, func(g protocol.Transition) bool {
			in := g.NotBeforeNS <= at && at <= g.NotAfterNS
			if !w.Bracket {
				in = in || g.AtNS-near < at && at < g.AtNS+near
			}
			return string(g.State) == w.Event && in
		})
		if i >= 0 && !used[i] {
			used[i] = true
			checkWidth(t, seed, c, l, &l.Transitions[i], w)
		} else if w.Required {
			t.Errorf("seed %d: %s %s at %.6f s (%s) missed: found %s", seed, l.Lead, w.Event, w.TNS.Seconds(), w.Why, texts(l.Transitions))
		}
	}
	for i, g := range l.Transitions {
		if !used[i] {
			t.Errorf("seed %d: %s false %s: %s", seed, l.Lead, g.State, texts(l.Transitions[i:i+1]))
		}
	}
}

// longestInterval is the longest time between two samples of a lead at 16 leads
// and 400 kHz, window the longest conversion (SBAS444E: 860 SPS less 10 %).
const (
	longestInterval = 8.14e6
	window          = 1.28e6
)

// checkWidth holds the bracket of a clean or bounced edge outside starts to the
// interval of its two deciding samples, a window, and the bounce.
func checkWidth(t *testing.T, seed int, c *protocol.Cycle, l *protocol.CycleLead, g *protocol.Transition, w vehicle.Transition) {
	if w.Why != "clean" && w.Why != "bounce" || inStart(c, int64(w.TNS)) {
		return
	}
	width, most := g.NotAfterNS-g.NotBeforeNS, int64(longestInterval+window)+int64(w.LastNS-w.FirstNS)
	if width > most {
		t.Errorf("seed %d: %s %s at %.6f s (%s): bracket %.2f ms wide, at most %.2f", seed, l.Lead, w.Event, w.TNS.Seconds(), w.Why, float64(width)/1e6, float64(most)/1e6)
	}
}

func inStart(c *protocol.Cycle, at int64) bool {
	for i, k := range c.Key {
		if k.Position == protocol.PositionStart && i+1 < len(c.Key) && at > k.AtNS-50e6 && at < c.Key[i+1].AtNS+300e6 {
			return true
		}
	}
	return false
}

// minimum holds a start's lowest voltage to the wire's: within twice its
// uncertainty and what the samples can have missed.
func (y *tally) minimum(t *testing.T, seed int, c *protocol.Cycle, m vehicle.CrankMinimum) {
	leads := []*protocol.CycleLead{c.Battery}
	for i := range c.Slots {
		for k := range c.Slots[i].Leads {
			leads = append(leads, &c.Slots[i].Leads[k])
		}
	}
	for _, l := range leads {
		if l == nil || l.Lead != m.Lead {
			continue
		}
		for _, k := range l.Crank {
			if k.Sag == nil || int64(m.TNS) < k.BeginsNotBeforeNS || int64(m.TNS) > k.EndsNS {
				continue
			}
			y.minima++
			if off := float64(k.MinV) - m.MinV; off < -2*float64(k.MinUV) || off > 2*float64(k.MinUV)+float64(k.HiddenDipV) {
				t.Errorf("seed %d: %s fell to %.3f V, measured %.3f ± %.3f (hidden %.3f)", seed, m.Lead, m.MinV, k.MinV, k.MinUV, k.HiddenDipV)
			}
		}
	}
}

// level holds the volts in each key position to the wire's at the end of a stay in it: within
// twice their uncertainty of the first that stood still, or of one before.
func (y *tally) level(t *testing.T, seed int, l *protocol.CycleLead, truth []vehicle.Level) {
	for _, p := range []protocol.Position{protocol.PositionOff, protocol.PositionAccessory, protocol.PositionOn, protocol.PositionRunning} {
		i := slices.IndexFunc(l.Levels, func(x protocol.PositionLevel) bool { return x.Position == p })
		required, right := false, false
		var wires []float64
		for _, w := range truth {
			if w.Lead != l.Lead || w.Position != string(p) || required {
				continue
			}
			required = w.Required
			wires = append(wires, w.LevelV)
			right = right || i >= 0 && math.Abs(float64(l.Levels[i].V)-w.LevelV) <= 2*float64(l.Levels[i].UV)
		}
		switch {
		case i >= 0 && !right:
			t.Errorf("seed %d: %s in %s reads %.4f ± %.4f V, the wire has %.4f", seed, l.Lead, p, l.Levels[i].V, l.Levels[i].UV, wires)
		case i >= 0:
			y.levels++
		case required:
			t.Errorf("seed %d: %s in %s was not measured, the wire has %.4f V", seed, l.Lead, p, wires)
		}
	}
}

func texts(ts []protocol.Transition) (s []string) {
	for _, g := range ts {
		s = append(s, fmt.Sprintf("%s at %.4f s in [%.6f, %.6f]", g.State, float64(g.AtNS)/1e9, float64(g.NotBeforeNS)/1e9, float64(g.NotAfterNS)/1e9))
	}
	return s
}
