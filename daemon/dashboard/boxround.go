package dashboard

import (
	"fmt"
	"slices"

	"keyturn/protocol"
)

// roundView says where the leads go in the round that comes next.
type roundView struct {
	Title string
	// Change are the slots to which leads are moved or that are fitted otherwise, Stay the
	// others; in the first round everything is to be set.
	Change, Stay []slotGets
	First        bool
}

// slotGets is what a slot has in a round.
type slotGets struct {
	Slot, Legend string
	Fuse         string // how it is fitted
	FuseDo       string // what to do about that; empty: it is so already
	Leads        []leadGoes
	Switch       bool // it has one of its own, to be worked in this round
	stays        bool
}

// leadGoes is one lead of a slot.
type leadGoes struct {
	Lead, Side string
	Moved      bool
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
	var all []slotGets
	for _, l := range v.Round.Leads[:min(len(v.Round.Leads), leadsMax)] {
		at := slices.IndexFunc(all, func(s slotGets) bool { return s.Slot == clean(l.Slot) })
		if at < 0 {
			at = len(all)
			all = append(all, slotGets{Slot: clean(l.Slot), Legend: clean(legends[l.Slot]), Fuse: fuseWord(l.Fuse), stays: !out.First})
		}
		s := &all[at]
		x := leadGoes{Lead: clean(l.Lead), Moved: l.Moved && !out.First}
		if l.Side != "" {
			x.Side = clean(string(l.Side)) + " side"
		}
		s.Leads = append(s.Leads, x)
		s.Switch = s.Switch || l.Switch
		s.stays = s.stays && !l.Moved && !l.Fitted
		if l.Fitted && !l.Moved && !out.First {
			s.FuseDo = fuseDo(l.Fuse)
		}
	}
	for _, s := range all {
		if s.stays {
			out.Stay = append(out.Stay, s)
		} else {
			out.Change = append(out.Change, s)
		}
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

// fuseDo says what makes a slot be fitted so.
func fuseDo(f protocol.Fuse) string {
	switch f {
	case protocol.FuseIn:
		return "put it in"
	case protocol.FuseOut:
		return "pull it"
	}
	return "change it"
}
