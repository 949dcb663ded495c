package dashboard

import (
	"fmt"

	"keyturn/protocol"
)

// roundView says where the leads go in the round that comes next.
type roundView struct {
	Title string
	// Change are the leads that are moved and the slots that are fitted otherwise, Stay
	// the others; in the first round everything is to be set.
	Change, Stay []leadGoes
	First        bool
}

// leadGoes is one lead of a round.
type leadGoes struct {
	Lead, Slot, Legend, Side, Fuse string
	Do                             string // what is other than in the round before
}

// roundOf is the round that comes next; nil where none does.
func roundOf(v *protocol.Verdict) *roundView {
	if v.Final || v.Round == nil {
		return nil
	}
	legends := map[string]string{}
	for i := range v.Slots {
		legends[v.Slots[i].Slot] = string(v.Slots[i].Legend)
	}
	out := &roundView{Title: fmt.Sprintf("Round %d of %d", v.Round.Number, v.Rounds), First: v.Round.Number == 1}
	for i, l := range v.Round.Leads {
		if i == leadsMax {
			break
		}
		x := leadGoes{Lead: clean(l.Lead), Slot: clean(l.Slot), Legend: clean(legends[l.Slot]), Fuse: fuseWord(l.Fuse)}
		if l.Side != "" {
			x.Side = clean(string(l.Side)) + " side"
		}
		switch {
		case out.First:
		case l.Moved && l.Fitted:
			x.Do = "move the lead, change the fuse"
		case l.Moved:
			x.Do = "move the lead"
		case l.Fitted:
			x.Do = "change the fuse"
		default:
			out.Stay = append(out.Stay, x)
			continue
		}
		out.Change = append(out.Change, x)
	}
	return out
}

// fuseWord says how a slot is fitted; empty where nobody said.
func fuseWord(f protocol.Fuse) string {
	switch f {
	case "":
		return ""
	case protocol.FuseBlown:
		return "blown fuse in"
	}
	return "fuse " + clean(string(f))
}
