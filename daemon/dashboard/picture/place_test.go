package picture

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"keyturn/protocol"
)

// Each transition stands within half a pixel of its time: as the exported mapping
// has it, and as the ratio of times between two moves of the key, or two other
// transitions, of the same straight stretch has it.
func TestTransitionsStandAtTheirTime(t *testing.T) {
	for _, name := range []string{"long-tail", "double-start"} {
		c := stored(t, name)
		want := 0
		for _, s := range c.Slots {
			for _, l := range s.Leads {
				want += len(l.Transitions)
			}
		}
		for _, w := range append([]float64{500, 777}, widths...) {
			o := Options{Width: w}
			scale := TimeScale(c, o)
			top := parse(t, Cycle(c, o))
			got := top.all("kt-transition")
			if len(got) != want || want == 0 {
				t.Fatalf("%s at %g: %d transitions drawn of %d", name, w, len(got), want)
			}
			for _, n := range append(got, top.all("kt-move")...) {
				at, err := strconv.ParseInt(n.attrs["data-at-ns"], 10, 64)
				if err != nil {
					t.Fatal(err)
				}
				x := n.all("line")[0].number(t, "x1")
				if n.attrs["class"] == "kt-transition" {
					x = n.all("kt-at")[0].number(t, "x1")
				}
				if d := math.Abs(x - scale.X(at)); d > 0.5 {
					t.Errorf("%s at %g: %s stands %g px off", name, w, n.attrs["data-id"], d)
				}
				g := segmentOf(t, &scale, at)
				// As the part of its stretch that has gone by.
				if ratio := float64(at-g.FromNS) / float64(g.ToNS-g.FromNS); math.Abs(x-(g.X0+ratio*(g.X1-g.X0))) > 0.5 {
					t.Errorf("%s at %g: %s is not where its part of the stretch is", name, w, n.attrs["data-id"])
				}
			}
			sameScale(t, &scale)
			axisTells(t, top, &scale)
			if base := top.all("kt-base")[0]; math.Abs(base.number(t, "x2")-scale.Segments[len(scale.Segments)-1].X1) > 0.01 || math.Abs(base.number(t, "x1")-scale.Segments[0].X0) > 0.01 {
				t.Errorf("%s at %g: the scale does not fill the axis", name, w)
			}
		}
	}
}

func segmentOf(t *testing.T, s *Scale, at int64) Segment {
	t.Helper()
	for _, g := range s.Segments {
		if g.FromNS <= at && at <= g.ToNS && !g.Cut {
			return g
		}
	}
	t.Fatalf("%d ns lies in a break", at)
	return Segment{}
}

// sameScale demands stretches that join, go on, and have one scale.
func sameScale(t *testing.T, s *Scale) {
	t.Helper()
	per := 0.0
	for i, g := range s.Segments {
		if g.ToNS <= g.FromNS || g.X1 <= g.X0 {
			t.Errorf("segment %d is empty: %+v", i, g)
		}
		if i > 0 && (g.FromNS != s.Segments[i-1].ToNS || math.Abs(g.X0-s.Segments[i-1].X1) > 1e-6) {
			t.Errorf("segment %d does not join the one before", i)
		}
		if g.Cut {
			continue
		}
		v := (g.X1 - g.X0) / float64(g.ToNS-g.FromNS)
		if per != 0 && math.Abs(v/per-1) > 1e-6 {
			t.Errorf("segment %d has another scale: %g, %g", i, v, per)
		}
		per = v
	}
}

// axisTells reads the figures below the lanes and demands that each stands at the
// second that it names.
func axisTells(t *testing.T, top *node, s *Scale) {
	t.Helper()
	labels := top.all("kt-tick-label")
	if len(labels) < 2 {
		t.Errorf("%d figures on the axis", len(labels))
	}
	for _, n := range labels {
		v, err := strconv.ParseFloat(n.text, 64)
		if err != nil {
			t.Fatal(err)
		}
		if x := s.X(s.ZeroNS + int64(math.Round(v*1e9))); math.Abs(x-n.number(t, "x")) > 0.5 {
			t.Errorf("the axis says %s at %g, the scale has it at %g", n.text, n.number(t, "x"), x)
		}
	}
}

// The place of a transition follows from those of the key's moves alone, without
// the mapping: 9.5 s of the 10 s between accessory and off, and so on.
func TestPlacesByTheKeysMoves(t *testing.T) {
	top := parse(t, Cycle(invented(), Options{Width: 1024}))
	x := map[string]float64{}
	for _, n := range top.all("kt-move") {
		x[n.attrs["data-position"]] = n.all("line")[0].number(t, "x1")
	}
	for id, at := range map[string]float64{"a-102005": 2.005, "a-111500": 11.5} {
		found := false
		for _, n := range top.all("kt-transition") {
			if n.attrs["data-id"] == id {
				found = true
				want := x["accessory"] + (x["off"]-x["accessory"])*at/10
				if got := n.all("kt-at")[0].number(t, "x1"); math.Abs(got-want) > 0.5 {
					t.Errorf("%s stands at %g, want %g", id, got, want)
				}
			}
		}
		if !found {
			t.Errorf("%s is not drawn", id)
		}
	}
}

// Only a bracket wider than a pixel is drawn, as wide as its time, and the whisker
// is four standard uncertainties long.
func TestBracketAndWhisker(t *testing.T) {
	c := invented()
	s := TimeScale(c, Options{Width: 1024})
	top := parse(t, Cycle(c, Options{Width: 1024}))
	boxes := 0
	for _, n := range top.all("kt-transition") {
		for _, b := range n.all("kt-bracket") {
			boxes++
			if want := s.X(111*second+7e8) - s.X(111*second+3e8); math.Abs(b.number(t, "width")-want) > 0.5 {
				t.Errorf("the bracket is %g wide, want %g", b.number(t, "width"), want)
			}
			if len(n.all("kt-whisker")) != 1 {
				t.Fatal("no whisker on the uncertain one")
			}
			var from, to, y float64
			if _, err := fmt.Sscanf(strings.Split(n.all("kt-whisker")[0].attrs["d"], "M")[2], "%f %fH%f", &from, &y, &to); err != nil {
				t.Fatal(err)
			}
			if want := s.X(111*second+5e8+12e7) - s.X(111*second+5e8-12e7); math.Abs(to-from-want) > 0.5 {
				t.Errorf("the whisker is %g long, want that of ± 120 ms, %g", to-from, want)
			}
		}
	}
	if boxes != 1 {
		t.Errorf("%d brackets drawn, want that of 400 ms only", boxes)
	}
}

// Minutes of staying on do not squeeze the turn of the key.
func TestALongTailIsCut(t *testing.T) {
	short, long := TimeScale(stored(t, "double-start"), Options{}), TimeScale(stored(t, "long-tail"), Options{})
	cuts := 0
	for _, g := range long.Segments {
		if g.Cut {
			cuts++
			if g.ToNS-g.FromNS < int64(idleNS-2*besideNS) {
				t.Errorf("only %d ns are cut", g.ToNS-g.FromNS)
			}
		}
	}
	c := stored(t, "long-tail")
	if width := long.X(c.Key[len(c.Key)-1].AtNS) - long.X(c.Key[0].AtNS); cuts == 0 || cuts > cutsMost || width < (long.Segments[len(long.Segments)-1].X1-long.Segments[0].X0)/4 {
		t.Errorf("%d cuts, the key's turn is %g px wide", cuts, width)
	}
	for _, w := range widths {
		top := parse(t, Cycle(c, Options{Width: w}))
		if labels, cuts := len(top.all("kt-cut-label")), len(top.all("kt-cut")); labels != cuts || cuts == 0 {
			t.Errorf("at %g: %d of %d breaks are labelled", w, labels, cuts)
		}
	}
	for _, g := range short.Segments {
		if g.Cut {
			t.Errorf("a cycle of 19 s is cut: %+v", g)
		}
	}
}

// Instants from anywhere in an int64 break nothing.
func TestAbsurdInstants(t *testing.T) {
	for _, at := range []int64{math.MinInt64, -1, 0, math.MaxInt64} {
		c := invented()
		c.Slots[0].Leads[0].Transitions[1].AtNS = at
		c.Slots[0].Leads[0].Transitions[1].NotAfterNS = math.MaxInt64
		c.Slots[0].Leads[0].Transitions[0].UUS = protocol.Micros(math.MaxFloat64)
		c.Battery.Crank[0].EndsNS = at
		for _, w := range widths {
			s := TimeScale(c, Options{Width: w})
			for _, svg := range pictures(c, Options{Width: w}) {
				parse(t, svg)
			}
			if x := s.X(at); x < 0 || x > w {
				t.Errorf("%d stands at %g", at, x)
			}
		}
	}
}
