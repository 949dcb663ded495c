package picture

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"keyturn/protocol"
)

// lanesOf are lanes for the slots of a cycle, the first said to differ, and for one that
// is in no cycle.
func lanesOf(c *protocol.Cycle) (out []PairLane) {
	for i := range c.Slots {
		out = append(out, PairLane{Slot: c.Slots[i].Slot})
		if i == 0 {
			out[0].Word = "differs"
		}
	}
	return append(out, PairLane{Slot: "f99", Word: "not compared"})
}

// changed is the invented cycle on another day: at another time of the clock, the start
// a second later, the first slot live from accessory on, one slot more, one fewer.
func changed() *protocol.Cycle {
	c := invented()
	const day = 86400 * second
	c.MonoNS += day
	for i := range c.Key {
		if c.Key[i].AtNS += day; i >= 2 {
			c.Key[i].AtNS += second
		}
	}
	s := &c.Slots[0]
	k := &s.Leads[0].Crank[0]
	k.BeginsNotBeforeNS, k.BeginsNotAfterNS, k.EndsNS = k.BeginsNotBeforeNS+day+second, k.BeginsNotAfterNS+day+second, k.EndsNS+day+second
	s.Behaviour = protocol.Accessory
	for i := range s.Leads[0].Transitions {
		t := &s.Leads[0].Transitions[i]
		shift := day - 2*second
		if i == 1 {
			shift = day + second
		}
		t.AtNS, t.NotBeforeNS, t.NotAfterNS = t.AtNS+shift, t.NotBeforeNS+shift, t.NotAfterNS+shift
	}
	c.Slots[1].Slot = "f04"
	return c
}

// Two cycles of different clocks stand on one time: each transition within half a pixel
// of where its time since its own key-on is, by the scale and by the figures below.
func TestPairsStandAtTheirTimeFromKeyOn(t *testing.T) {
	for _, pair := range [][2]*protocol.Cycle{{invented(), changed()}, {stored(t, "double-start"), stored(t, "long-tail")}, {stored(t, "long-tail"), changed()}} {
		for _, w := range append([]float64{500, 777}, widths...) {
			o := Options{Width: w}
			lanes := lanesOf(pair[0])
			s := PairScale(pair[0], pair[1], lanes, o)
			top := parse(t, Pair(pair[0], pair[1], lanes, o))
			sameScale(t, &s)
			axisTells(t, top, &s)
			at := map[string]int64{} // of both, by id and which
			for n, c := range pair {
				on := c.Key[0].AtNS
				for _, k := range c.Key {
					if k.Position == protocol.PositionOn {
						on = k.AtNS
						break
					}
				}
				for _, sl := range c.Slots {
					for _, l := range sl.Leads {
						for _, x := range l.Transitions {
							at[sl.Slot+l.Lead+x.ID+strconv.Itoa(n)] = x.AtNS - on
						}
					}
				}
			}
			drawn := 0
			for _, lane := range top.all("kt-slot") {
				used := map[string]bool{}
				for _, n := range lane.all("kt-transition") {
					drawn++
					x := n.all("kt-at")[0].number(t, "x1")
					key := lane.attrs["data-slot"] + n.attrs["data-lead"] + n.attrs["data-id"]
					// The first of a name is the earlier cycle's, unless it has none.
					which := "0"
					if _, ok := at[key+"0"]; used[key] || !ok {
						which = "1"
					}
					used[key] = true
					want, ok := at[key+which]
					if !ok {
						t.Fatalf("%s is drawn and not in the document", key)
					}
					if d := math.Abs(x - s.X(want)); d > 0.5 {
						t.Errorf("at %g: %s of cycle %s stands %g px off", w, key, which, d)
					}
				}
			}
			if drawn == 0 {
				t.Errorf("at %g: no transition is drawn", w)
			}
			for _, n := range top.all("kt-move") {
				ns, _ := strconv.ParseInt(n.attrs["data-at-ns"], 10, 64)
				if x := n.all("line")[0].number(t, "x1"); math.Abs(x-s.X(ns)) > 0.5 || n.attrs["data-position"] == "on" && ns == 0 && math.Abs(x-s.X(0)) > 0.5 {
					t.Errorf("at %g: a move of the key stands at %g", w, x)
				}
			}
		}
	}
}

// What is said of a pair without seeing it: what differs, then both cycles.
func TestPairSaysItself(t *testing.T) {
	got := PairSentence(invented(), changed(), lanesOf(changed()))
	for _, want := range []string{"f01 differs, f99 not compared. Before: The key went to accessory", "After: The key went to accessory"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q lacks %q", got, want)
		}
	}
	top := parse(t, Pair(invented(), changed(), lanesOf(changed()), Options{}))
	text := ""
	for _, n := range top.all("text") {
		text += n.text + "\n"
	}
	for _, want := range []string{"not under test", "before: live with the ignition on (15)", "after: live from accessory on (75)", "seconds from key-on"} {
		if !strings.Contains(text, want) {
			t.Errorf("the picture lacks %q:\n%s", want, text)
		}
	}
}
