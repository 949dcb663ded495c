package dashboard

import (
	"fmt"
	"slices"
	"strings"

	"keyturn/daemon/evidence"
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

// What is said of a finding.
const (
	differs     = "differs"
	seems       = "seems to differ"
	notCompared = "not compared"
)

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
	b, a := evidence.Cycle(before), evidence.Cycle(after)
	j := judge.Compare(b, a)
	c := comparison{AsBefore: j.AsBefore(), differ: map[string]string{}}
	touched := map[string]bool{}
	for _, f := range j.Findings {
		row := compareRow{Slot: clean(f.Slot), Shape: "warn", Word: differs, differs: f.Why == 0}
		row.What, row.Before, row.After = compared(f, before, after)
		switch {
		case f.Why != 0:
			row.Shape, row.Word, row.Why = "notknown", notCompared, open(f)
		case !f.Certain:
			row.Word, row.Why = seems, "may be chance: measure again"
		}
		if s := slotNamed(before, f.Slot); s != nil {
			row.Legend = clean(string(s.Legend))
		}
		if touched[f.Slot] = true; c.differ[f.Slot] == "" || row.Word == differs || row.Word == seems && c.differ[f.Slot] != differs {
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
		return "battery's lowest while cranking", dipText(report.BatterySag(before)), dipText(report.BatterySag(after))
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
	if k := report.BatterySag(c); k != nil && text != "" {
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
		return "not under test after"
	case f.Why == judge.OnlyAfter:
		return "not under test before"
	case f.Why == judge.Undecided:
		return "not proven; what is possible leaves it open"
	case f.Why == judge.WatchedLess:
		return "one was watched for less than it takes to show"
	case f.Why == judge.SwitchUnused:
		return "its switch may not have been worked"
	}
	return "not measured in both"
}

// slotNamed is a key cycle's first slot of a name; nil without one.
func slotNamed(c *protocol.Cycle, name string) *protocol.CycleSlot {
	if i := slices.IndexFunc(c.Slots, func(s protocol.CycleSlot) bool { return s.Slot == name }); i >= 0 {
		return &c.Slots[i]
	}
	return nil
}
