package dashboard

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// comparison is what two key cycles show of each other, in words.
type comparison struct {
	AsBefore bool // something was compared and nothing differs
	Sentence string
	Rows     []compareRow // differences first, then what cannot be compared
	Same     []string     // slots of which nothing differs and nothing is left open
	differ   map[string]string
}

// compareRow is one finding.
type compareRow struct {
	Slot, Legend  string
	Shape, Word   string
	What          string
	Before, After string
	Why           string
	differs       bool
}

// compareCycles says in what the second key cycle differs from the first.
func compareCycles(before, after *protocol.Cycle) comparison {
	b, a := judged(before), judged(after)
	j := judge.Compare(b, a)
	c := comparison{AsBefore: j.AsBefore(), differ: map[string]string{}}
	touched := map[string]bool{}
	for _, f := range j.Findings {
		row := compareRow{Slot: clean(f.Slot), Shape: "warn", Word: "differs", differs: f.Why == 0}
		row.What, row.Before, row.After = compared(f, before, after)
		switch {
		case f.Why != 0:
			row.Shape, row.Word, row.Why = "notknown", "not compared", open(f)
		case !f.Certain:
			row.Word, row.Why = "seems to differ", "may be chance: measure again"
		}
		if s := slotNamed(before, f.Slot); s != nil {
			row.Legend = clean(string(s.Legend))
		}
		if touched[f.Slot] = true; c.differ[f.Slot] == "" || row.differs {
			c.differ[f.Slot] = row.Word
		}
		c.Rows = append(c.Rows, row)
	}
	slices.SortStableFunc(c.Rows, func(x, y compareRow) int { return order(x.differs) - order(y.differs) })
	for _, s := range b.Slots {
		if !touched[s.Name] {
			touched[s.Name] = true
			c.Same = append(c.Same, clean(s.Name))
		}
	}
	c.Sentence = c.sentence(&j)
	return c
}

func order(differs bool) int {
	if differs {
		return 0
	}
	return 1
}

// sentence says the outcome. That something could not be compared is never left out.
func (c *comparison) sentence(j *judge.Comparison) string {
	var differ, open []string
	whole := false
	for _, r := range c.Rows {
		switch {
		case r.Slot == "":
			whole = whole || r.differs
		case r.differs && !slices.Contains(differ, r.Slot):
			differ = append(differ, r.Slot)
		case !r.differs && !slices.Contains(differ, r.Slot) && !slices.Contains(open, r.Slot):
			open = append(open, r.Slot)
		}
	}
	var text string
	switch {
	case len(differ) > 0:
		text = fmt.Sprintf("Not as before: %s (%s).", plural(len(differ), "slot differs", "slots differ"), strings.Join(differ, ", "))
		if whole {
			text += " The battery fell differently while cranking."
		}
	case whole:
		text = "No slot differs, but the battery fell differently while cranking."
	case j.Compared == 0:
		text = "Nothing could be compared."
	default:
		text = fmt.Sprintf("As before: nothing differs in what both key cycles show of %s.", plural(j.Compared, "slot", "slots"))
	}
	if len(open) > 0 {
		text += fmt.Sprintf(" Not or only partly compared: %s.", strings.Join(open, ", "))
	}
	return text
}

// compared says what a finding is about, and what each key cycle shows of it.
func compared(f judge.Finding, before, after *protocol.Cycle) (what, b, a string) {
	say := func(words func(*protocol.Cycle, *protocol.CycleSlot) string) (b, a string) {
		one := func(c *protocol.Cycle) string {
			if s := slotNamed(c, f.Slot); s != nil {
				return cleanTo(words(c, s), 2*textMax)
			}
			return "not under test"
		}
		return one(before), one(after)
	}
	switch f.What {
	case judge.Visited:
		b, a = "visited", "not visited"
		if f.Why == judge.OnlyAfter {
			b, a = a, b
		}
		return "key at " + clean(report.Position(protocol.Position(f.Position))), b, a
	case judge.BatteryLowest:
		return "battery's lowest while cranking", dipText(batterySag(before)), dipText(batterySag(after))
	case judge.OnAfter:
		what = "live after key-on"
		b, a = say(report.OnAfter)
	case judge.StaysOn:
		what = "off after key-off"
		b, a = say(func(_ *protocol.Cycle, s *protocol.CycleSlot) string { return report.OffAfter(s) })
	case judge.OffInStart:
		what = "while cranking"
		b, a = say(func(_ *protocol.Cycle, s *protocol.CycleSlot) string {
			if s.OffInStart != nil && *s.OffInStart {
				return "off"
			}
			return "stays live"
		})
	case judge.Lowest:
		what = "lowest while cranking"
		b, a = say(lowestText)
	default:
		what = "what it is"
		b, a = say(func(_ *protocol.Cycle, s *protocol.CycleSlot) string { return report.Behaviour(s) })
	}
	return what, b, a
}

// lowestText gives a slot's lowest together with the battery's, to which it is held.
func lowestText(c *protocol.Cycle, s *protocol.CycleSlot) string {
	text := dipText(report.LowestSag(s.Leads...))
	if k := batterySag(c); k != nil && text != "" {
		text += ", battery " + dipText(k)
	}
	return text
}

func dipText(k *protocol.Sag) string {
	switch {
	case k == nil:
		return ""
	case k.AtOrBelow:
		return fmt.Sprintf("at or below %.1f V", float64(k.MinV))
	}
	return fmt.Sprintf("%.2f ± %.2f V", float64(k.MinV), 2*float64(k.MinUV))
}

// open says why something could not be compared.
func open(f judge.Finding) string {
	switch {
	case f.What == judge.Visited:
		return "what hangs on this key position is not compared"
	case f.Why == judge.OnlyBefore:
		return "not under test in the second"
	case f.Why == judge.OnlyAfter:
		return "not under test in the first"
	case f.Why == judge.Undecided:
		return "not proven; what is possible leaves it open"
	case f.Why == judge.WatchedLess:
		return "one was watched for less than it takes to show"
	case f.Why == judge.SwitchUnused:
		return "its switch may not have been worked"
	}
	return "not measured in both"
}

// judged takes from a key cycle what is judged.
func judged(c *protocol.Cycle) *judge.Cycle {
	out := &judge.Cycle{Battery: dip(batterySag(c))}
	for _, k := range c.Key {
		out.Positions = append(out.Positions, string(k.Position))
	}
	for i := range c.Slots {
		s := &c.Slots[i]
		x := judge.Slot{Name: s.Slot, Behaviour: judge.Behaviour(s.Behaviour), OffInStart: s.OffInStart, Lowest: dip(report.LowestSag(s.Leads...))}
		for _, p := range s.Possible {
			x.Possible = append(x.Possible, judge.Behaviour(p))
		}
		if t, k := report.Follows(c, s); t != nil {
			x.OnAfter = &judge.Time{S: float64(t.AtNS-k.AtNS) * 1e-9, US: math.Hypot(float64(t.UUS), float64(k.UUS)) * 1e-6}
		}
		if s.StaysOnS != nil {
			x.StaysOn = &judge.Time{S: float64(*s.StaysOnS), Open: s.StaysOnOpen}
			if s.StaysOnUMS != nil {
				x.StaysOn.US = float64(*s.StaysOnUMS) * 1e-3
			}
		}
		if n := len(c.Key); n > 0 && c.Key[n-1].Position == protocol.PositionOff {
			x.WatchedOffS = max(0, min(float64(s.WatchedS), (float64(c.MonoNS)-float64(c.Key[n-1].AtNS))*1e-9))
		}
		out.Slots = append(out.Slots, x)
	}
	return out
}

func dip(k *protocol.Sag) *judge.Dip {
	if k == nil {
		return nil
	}
	return &judge.Dip{V: float64(k.MinV), UV: float64(k.MinUV), HiddenV: float64(k.HiddenDipV), AtOrBelow: k.AtOrBelow}
}

func batterySag(c *protocol.Cycle) *protocol.Sag {
	if c.Battery == nil {
		return nil
	}
	return report.LowestSag(*c.Battery)
}

// slotNamed is a key cycle's first slot of a name; nil without one.
func slotNamed(c *protocol.Cycle, name string) *protocol.CycleSlot {
	if i := slices.IndexFunc(c.Slots, func(s protocol.CycleSlot) bool { return s.Slot == name }); i >= 0 {
		return &c.Slots[i]
	}
	return nil
}
