package dashboard

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"strings"

	"keyturn/daemon/dashboard/picture"
	"keyturn/daemon/records"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// sheetPicture is the width of a sheet's pictures in CSS pixels: what both A4 and Letter
// hold between their margins.
const sheetPicture = 700

// sheetBody is a test sheet: a key cycle for paper.
type sheetBody struct {
	cycleBody
	Document  string // names the sheet's source for people
	Digest    string // ties it to the stored bytes
	Rows      []report.Row
	Pictures  []template.HTML
	How       []string
	Leads     []sheetLead
	NotTested []string
	Cautions  []string
}

// sheetLead is what a lead's figures rest on.
type sheetLead struct{ Lead, Where, Converter, Sampled, Calibrated, Within string }

// digestDigits is how much of the SHA-256 is printed: enough that no two documents of a
// shop share it, and short enough to be read out.
const digestDigits = 16

func (d *dashboard) sheet(w http.ResponseWriter, r *http.Request) {
	bench, id := r.PathValue("bench"), r.PathValue("id")
	// What is wrong with a name is said as on the key cycle's own page.
	if d.o.Records == nil || protocol.CheckID(bench) != nil || protocol.CheckID(id) != nil {
		d.stored(w, r, bench, id)
		return
	}
	x, err := d.o.Records.Origin(r.Context(), bench, id)
	if errors.Is(err, records.ErrNone) {
		d.sorry(w, r, http.StatusNotFound, "The records have no such key cycle.")
		return
	}
	if err != nil {
		d.failed(w, r, err)
		return
	}
	p := d.page("Test sheet "+clean(x.Cycle.ID), "history")
	p.Body = d.sheetBody(x)
	d.show(w, r, http.StatusOK, "sheet", p)
}

func (d *dashboard) sheetBody(x *records.Origin) sheetBody {
	c := x.Cycle
	var desc *protocol.Description
	if x.Bench != nil {
		desc = &x.Bench.Description
	}
	b := sheetBody{cycleBody: d.cycleBody(c), Rows: cleanRows(report.SheetRows(c)), Digest: digest(x.Payload)}
	b.Document = fmt.Sprintf("bench %s, key cycle %s, revision %d; result %d of stream %s", clean(c.Bench), clean(c.ID), c.Revision, c.Seq, clean(c.Stream))
	o := picture.Options{Width: sheetPicture, Text: 11}
	b.Pictures = append(b.Pictures, template.HTML(picture.Cycle(c, o)))
	for n := range picture.Starts(c) {
		b.Pictures = append(b.Pictures, template.HTML(picture.Start(c, n, o)))
	}
	for _, list := range []struct {
		to   *[]string
		from []string
	}{{&b.How, report.HowMeasured(c, desc)}, {&b.NotTested, report.NotTested(c, desc)}, {&b.Cautions, report.Cautions()}} {
		for _, s := range list.from {
			*list.to = append(*list.to, cleanTo(s, sentenceMax))
		}
	}
	if desc != nil {
		b.Leads = sheetLeads(desc)
	}
	return b
}

// digest writes the first digits of the SHA-256 of a stored document in fours.
func digest(payload []byte) string {
	sum := sha256.Sum256(payload)
	return fours(hex.EncodeToString(sum[:]))
}

// fours writes the first digits of a SHA-256 in fours.
func fours(hash string) string {
	text := hash[:digestDigits]
	var parts []string
	for i := 0; i < len(text); i += 4 {
		parts = append(parts, text[i:i+4])
	}
	return strings.Join(parts, " ")
}

func sheetLeads(d *protocol.Description) (out []sheetLead) {
	for i := range d.Leads {
		if i == leadsMax {
			break
		}
		l := &d.Leads[i]
		v := leadOf(l)
		x := sheetLead{Lead: v.Lead, Converter: fmt.Sprintf("%s input %d", clean(l.Chip), l.Input), Calibrated: v.Calibrated, Within: report.LeadUncertainty(&l.Calibration)}
		if x.Sampled = "at least every " + v.Bound; l.IntervalMeanUS != nil {
			x.Sampled = "every " + v.Mean + " (mean)"
		}
		x.Where = strings.TrimSpace(v.Slot + " " + clean(string(l.Side)))
		switch {
		case x.Where != "":
		case l.Lead == string(d.BatterySense):
			x.Where = "battery sense"
		default:
			x.Where = keySense(&d.KeySense, l.Lead)
		}
		out = append(out, x)
	}
	return out
}

// keySense names the terminal that a lead tells the key by; empty if it does not.
func keySense(k *protocol.KeySense, lead string) string {
	for _, x := range []struct {
		lead protocol.OrNull
		word string
	}{{k.Terminal75, "terminal 75"}, {k.Terminal15, "terminal 15"}, {k.Terminal50, "terminal 50"}, {k.Terminal61, "terminal 61"}, {k.IgnitionSlot, "for terminal 15"}} {
		if string(x.lead) == lead {
			return x.word
		}
	}
	return ""
}
