package dashboard

import (
	"fmt"
	"net/http"
	"slices"

	"keyturn/daemon/records"
)

// cardBody is the removal card: one page that stays with the vehicle or the box.
type cardBody struct {
	jobRow
	Facts    []fact
	Fittings []fittingView // in the order in which they are taken out: the last one first
	Vehicle  bool
	Refit    []string // which fuse goes back where
	StaysOn  bool     // some slot stays on after key-off
	Measured string   // which key cycle tells what the slots did
	Codes    []codeRows
	Photos   []photoView
	Left     int // photos that have no room
}

// cardPhotosMost is how many photos have room on a card; the fittings come first.
const cardPhotosMost = 3

// jobCard shows the removal card.
func (d *dashboard) jobCard(w http.ResponseWriter, r *http.Request, file *records.JobFile) {
	cycles, err := d.cyclesOf(r.Context(), file)
	if err != nil {
		d.failed(w, r, err)
		return
	}
	b := cardBody{jobRow: d.jobRow(&file.Job), Facts: facts(&file.Job), Vehicle: file.Kind == records.VehicleJob}
	for _, f := range slices.Backward(file.Fittings) {
		b.Fittings = append(b.Fittings, fittingOf(&f, cycles))
		if f.OriginalFuseA != 0 {
			b.Refit = append(b.Refit, fmt.Sprintf("%s into slot %s", figure(f.OriginalFuseA, "A"), clean(f.Slot)))
		}
		for _, c := range cycles {
			s := slotNamed(c.cycle, f.Slot)
			b.StaysOn = b.StaysOn || s != nil && s.StaysOnS != nil && *s.StaysOnS >= 1
		}
	}
	b.Refit = slices.Compact(b.Refit)
	if c := latest(cycles, records.Before); c != nil {
		b.Measured = fmt.Sprintf("Measured before fitting: bench %s, key cycle %s, %s.", clean(c.Bench), clean(c.ID), madeAt(c.cycle.Wall, d.o.Zone))
	}
	var all jobBody
	d.items(&all, file)
	b.Codes, b.Photos = all.Codes, all.Photos
	if room := max(0, cardPhotosMost-max(0, len(b.Fittings)-3)); len(b.Photos) > room {
		b.Left = len(b.Photos) - room
		b.Photos = b.Photos[:room]
	}
	p := d.page(fmt.Sprintf("Removal card of job %d", file.Number), "jobs")
	p.Body = b
	d.show(w, r, http.StatusOK, "card", p)
}
