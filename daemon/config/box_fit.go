package config

import (
	"fmt"
	"slices"
)

// Refuses says why a slot of the box may bear no lead, no load and no pulled fuse on a
// subject, and what to do; empty if it may. Leads, exercises, plans and the choice of
// a feed all ask here. Out of the vehicle, what is avoided is tested only where
// somebody saw that the airbag units are absent. What the box does not know is refused.
func (b *Box) Refuses(slot, subject string, airbagUnitsAbsent bool) string {
	s := b.Slot(slot)
	switch {
	case b.Draft:
		return fmt.Sprintf("box %s is a draft; finish and sign its file", b.ID)
	case s == nil:
		return fmt.Sprintf("box %s has no slot %q; choose another", b.ID, clip(slot))
	case s.Avoid == AvoidNo:
		return ""
	case subject != offVehicle:
		return fmt.Sprintf("avoided (%s): no lead, no load and no pulled fuse on a vehicle; leave it alone and remove the lead", s.Avoid)
	case !airbagUnitsAbsent:
		return fmt.Sprintf("avoided (%s): tested only with the airbag units absent; look that none is connected and write airbag_units_absent = true, or remove the lead", s.Avoid)
	}
	return ""
}

// Fit puts the box that the bench file names into the bench, whose slots take their
// legends from it. text is that of the bench file. The error is a Faults of it: slots
// that the box does not have, and leads where it allows none.
func (b *Bench) Fit(text []byte, box *Box) error {
	f := &faults{lines: linesOf(text)}
	if box.Draft {
		f.at("", "box", "%q is a draft; finish and sign it: keyturn box validate tells what it lacks", b.BoxFile)
		return f.err()
	}
	var ids []string
	for i := range box.Slots {
		ids = append(ids, box.Slots[i].ID)
	}
	legends := make([]string, len(b.Slots))
	for i, s := range b.Slots {
		at := fmt.Sprintf("slot[%d]", i)
		if !f.oneOf(at, "name", s.Name, "a slot of box "+box.ID, ids) {
			continue
		}
		legends[i] = box.Slot(s.Name).Legend
		if s.Legend != "" && s.Legend != legends[i] {
			f.at(at, "legend", "%q, but the box file says %q; remove it here, or correct it there", s.Legend, legends[i])
		}
	}
	for i := range b.Leads {
		b.fitLead(f, box, i)
	}
	b.fitLines(f, box)
	if len(f.list) > 0 {
		return f.err()
	}
	for i := range b.Slots {
		b.Slots[i].Legend = legends[i]
	}
	b.Box = box
	return nil
}

// fitLead notes a lead that may not be where it is.
func (b *Bench) fitLead(f *faults, box *Box, i int) {
	l := &b.Leads[i]
	s := box.Slot(l.Slot)
	if s == nil {
		return // in no slot, or in one that was told of
	}
	at := fmt.Sprintf("lead[%d]", i)
	if why := box.Refuses(l.Slot, b.Subject, b.AirbagUnitsAbsent); why != "" {
		f.at(at, "slot", "%q (%s) is %s", l.Slot, s.Legend, why)
	}
	if l.Side != "" && !slices.Contains(s.Sides(), l.Side) {
		f.oneOf(at, "side", l.Side, "a side of contacts that lie "+s.Contacts, s.Sides())
	}
}
