package report

import (
	"fmt"
	"strings"

	"keyturn/protocol"
)

// RoundPlace is a slot of a round in words: its leads, the sides that they go to in the
// same order, and what is to be done.
type RoundPlace struct {
	Leads, Slot, Sides, Fuse, Do string
	// Changes: something is to be done.
	Changes bool
}

// RoundPlaces are the slots of a round. legends are what the lid says, by slot.
func RoundPlaces(r *protocol.VerdictRound, legends map[string]string) (out []RoundPlace) {
	var leads, sides []string
	for i := range r.Leads {
		l := &r.Leads[i]
		leads = append(leads, l.Lead)
		if l.Side != "" {
			sides = append(sides, string(l.Side))
		}
		if i+1 < len(r.Leads) && r.Leads[i+1].Slot == l.Slot {
			continue
		}
		out = append(out, RoundPlace{Leads: strings.Join(leads, ", "), Slot: strings.TrimSpace(l.Slot + " " + legends[l.Slot]), Sides: strings.Join(sides, ", "),
			Fuse: string(l.Fuse), Do: roundDo(l, len(leads)), Changes: l.Moved || l.Fitted})
		leads, sides = nil, nil
	}
	return out
}

func roundDo(l *protocol.VerdictLead, leads int) string {
	fuse := "put the fuse in"
	if l.Fuse == protocol.FuseOut {
		fuse = "take the fuse out"
	}
	move := "move the lead"
	if leads > 1 {
		move = "move the leads"
	}
	switch {
	case l.Moved:
		return move + ", fuse " + string(l.Fuse)
	case l.Fitted:
		return fuse
	}
	return "leave"
}

// Datum says how a box is held so that its places and sides are meant.
func Datum(datum string) string { return "Places and sides as seen with " + datum + "." }

// RoundTable sets a round for a terminal of so many columns: one line a slot, or a few
// short ones.
func RoundTable(r *protocol.VerdictRound, legends map[string]string, width int) string {
	var out strings.Builder
	if width >= wide {
		widths := []int{20, 28, 14, 4, 26}
		line(&out, widths, []string{"Leads", "Slot", "To its", "Fuse", "Do"})
		for _, p := range RoundPlaces(r, legends) {
			line(&out, widths, []string{p.Leads, p.Slot, p.Sides, p.Fuse, p.Do})
		}
		return out.String()
	}
	for _, p := range RoundPlaces(r, legends) {
		text := fmt.Sprintf("%s: %s, fuse %s", p.Slot, p.Do, p.Fuse)
		if p.Changes {
			text = fmt.Sprintf("%s: %s (%s", p.Slot, p.Do, p.Leads)
			if p.Sides != "" {
				text += " to " + p.Sides
			}
			text += ")"
		}
		out.WriteString(Wrap(text, width, "    ") + "\n")
	}
	return out.String()
}
