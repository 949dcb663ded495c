package report

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"keyturn/protocol"
)

// Row is one slot of a cycle in words.
type Row struct {
	Slot, Legend, What, OnAfter, OffAfter, Lowest string
	Remarks                                       []string
}

// Rows returns a cycle's slots in the box's order.
func Rows(c *protocol.Cycle) []Row {
	var rows []Row
	for i := range c.Slots {
		s := &c.Slots[i]
		rows = append(rows, Row{s.Slot, string(s.Legend), Behaviour(s), OnAfter(c, s), OffAfter(s), Lowest(s), Remarks(s)})
	}
	return rows
}

// wide is the least width at which the slots stand in columns; below, each slot
// is a few short lines.
const wide = 100

// Table sets a cycle for a terminal of so many columns: key, slots, battery.
// Everything is in words; nothing hangs on colour.
func Table(c *protocol.Cycle, width int) string {
	var b strings.Builder
	b.WriteString(Wrap("Key: "+Key(c), width, "     "))
	b.WriteString("\n\n")
	if width >= wide {
		columns(&b, Rows(c), width)
	} else {
		stacked(&b, Rows(c), width)
	}
	for _, s := range Sentences(c) {
		b.WriteString("\n" + Wrap(s, width, "") + "\n")
	}
	return b.String()
}

// Sentences says what the rows do not: how the battery took the starts, what they left
// untested, in which order slots came live, and what flowed after key-off; each only
// where there is something to say.
func Sentences(c *protocol.Cycle) (out []string) {
	for _, s := range []string{Battery(c), LowVoltage(c), Order(c), Quiescent(c)} {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}

// Key says the turns of the key, in seconds from the first.
func Key(c *protocol.Cycle) string {
	var parts []string
	for _, k := range c.Key {
		text := fmt.Sprintf("%s at %.2f s", Position(k.Position), float64(k.AtNS-c.Key[0].AtNS)*1e-9)
		if k.Source != protocol.SourceLead {
			text += " (" + Source(k.Source) + ")"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ", ")
}

// Battery says how the battery took the starts; empty without a start.
func Battery(c *protocol.Cycle) string {
	if c.Battery == nil || len(c.Battery.Crank) == 0 {
		return ""
	}
	var parts []string
	for _, k := range c.Battery.Crank {
		if k.Sag == nil {
			parts = append(parts, "a start was not measured: "+string(k.NotMeasured))
			continue
		}
		parts = append(parts, fmt.Sprintf("from %.2f V to %s, then %.1f V while the engine turned%s, for %s",
			float64(k.BeforeV), sagText(k.Sag), float64(k.PlateauV), turning(k.Ripple), Seconds(float64(k.EndsNS-k.BeginsNotAfterNS)*1e-9)))
	}
	return "Battery while cranking: " + strings.Join(parts, "; ") + "."
}

// LowVoltage says that a start showed nothing of low voltage; empty where it did, or
// where there was none.
func LowVoltage(c *protocol.Cycle) string {
	started := slices.ContainsFunc(c.Key, func(k protocol.KeyMove) bool { return k.Position == protocol.PositionStart })
	if !started || c.CrankSource != protocol.CrankContactOnly {
		return ""
	}
	return "Not tested at low voltage: in the start a contact moved, and nothing pulled the supply down."
}

// turning says how fast the engine turned; empty where that did not show.
func turning(r *protocol.Ripple) string {
	switch {
	case r == nil:
		return ""
	case r.RPM == nil:
		return fmt.Sprintf(" (%.1f compression strokes a second)", float64(r.Hz))
	}
	return fmt.Sprintf(" at %.0f ± %.0f turns a minute", float64(*r.RPM), max(1, 2*float64(*r.URPM)))
}

// columns sets the rows side by side; what does not fit its column goes on below.
func columns(b *strings.Builder, rows []Row, width int) {
	heads := []string{"Slot", "Legend", "What it is", "Live after key-on", "Off after key-off", "Lowest cranking", "Remarks"}
	widths := []int{4, 10, 26, 10, 14, 10, 0}
	for _, r := range rows {
		widths[0] = max(widths[0], utf8.RuneCountInString(r.Slot))
		widths[1] = min(16, max(widths[1], utf8.RuneCountInString(r.Legend)))
	}
	used := 0
	for _, w := range widths {
		used += w + 2
	}
	widths[6] = max(16, width-used)
	line(b, widths, heads)
	rule := make([]string, len(widths))
	for i, w := range widths {
		rule[i] = strings.Repeat("-", w)
	}
	line(b, widths, rule)
	for _, r := range rows {
		line(b, widths, []string{r.Slot, r.Legend, r.What, r.OnAfter, r.OffAfter, r.Lowest, strings.Join(r.Remarks, "; ")})
	}
}

// line sets cells, each wrapped in its column.
func line(b *strings.Builder, widths []int, cells []string) {
	lines := make([][]string, len(cells))
	height := 1
	for i, c := range cells {
		lines[i] = strings.Split(Wrap(c, widths[i], ""), "\n")
		height = max(height, len(lines[i]))
	}
	for h := range height {
		var row strings.Builder
		for i := range cells {
			text := ""
			if h < len(lines[i]) {
				text = lines[i][h]
			}
			row.WriteString(text + strings.Repeat(" ", max(0, widths[i]-utf8.RuneCountInString(text))+2))
		}
		b.WriteString(strings.TrimRight(row.String(), " ") + "\n")
	}
}

// stacked sets each slot as a few lines, for narrow terminals.
func stacked(b *strings.Builder, rows []Row, width int) {
	for _, r := range rows {
		b.WriteString(Wrap(r.Slot+" "+r.Legend+": "+r.What, width, "    ") + "\n")
		var facts []string
		if r.OnAfter != "" {
			facts = append(facts, "live after key-on: "+r.OnAfter)
		}
		if r.OffAfter != "" {
			facts = append(facts, "off after key-off: "+r.OffAfter)
		}
		if r.Lowest != "" {
			facts = append(facts, "lowest while cranking "+r.Lowest)
		}
		if facts = append(facts, r.Remarks...); len(facts) > 0 {
			b.WriteString("    " + Wrap(strings.Join(facts, "; "), width-4, "    ") + "\n")
		}
	}
}

// Wrap breaks a text into lines of at most width; later lines begin with indent.
func Wrap(text string, width int, indent string) string {
	var out, current strings.Builder
	length := 0
	for _, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		if length > 0 && length+1+n > width {
			out.WriteString(current.String() + "\n")
			current.Reset()
			current.WriteString(indent)
			length = utf8.RuneCountInString(indent)
		} else if length > 0 {
			current.WriteByte(' ')
			length++
		}
		current.WriteString(word)
		length += n
	}
	out.WriteString(current.String())
	return out.String()
}
