package dashboard

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/boombuler/barcode/qr"

	"keyturn/daemon/evidence"
	"keyturn/daemon/report"
)

// boxSheetBody is a verdict sheet: a test of a box for paper.
type boxSheetBody struct {
	boxBody
	Document string // names the sheet's source for people
	Digest   string // ties it to the stored bytes
	FileHash string // of the box file
	Cautions []string
}

func (d *dashboard) boxSheet(w http.ResponseWriter, r *http.Request) {
	v, payload := d.verdict(w, r)
	if v == nil {
		return
	}
	body, err := d.boxBody(r, v)
	if err != nil {
		d.failed(w, r, err)
		return
	}
	if !body.Measured {
		d.sorry(w, r, http.StatusConflict, "No round of the test is measured yet: there is no verdict to print.")
		return
	}
	b := boxSheetBody{boxBody: body, Digest: digest(payload), FileHash: fours(v.BoxFileHash), Cautions: report.Cautions()}
	b.Document = fmt.Sprintf("bench %s, test %s, revision %d; result %d of stream %s", clean(v.Bench), clean(v.ID), v.Revision, v.Seq, clean(v.Stream))
	p := d.page("Verdict sheet "+clean(v.ID), "boxes")
	p.Body = b
	d.show(w, r, http.StatusOK, "boxsheet", p)
}

// boxLabelBody is what is stuck on a box.
type boxLabelBody struct {
	boxRow
	Outcome mark
	Same    bool
	AfterID string        // of the test that superseded it
	Address string        // of its record; empty where it leads nowhere from another machine
	Code    template.HTML // of the address
}

func (d *dashboard) boxLabel(w http.ResponseWriter, r *http.Request) {
	v, _ := d.verdict(w, r)
	if v == nil {
		return
	}
	if !v.Final {
		d.sorry(w, r, http.StatusConflict, "The test is not over: a label would say what may still change.")
		return
	}
	ref, _, err := d.o.Jobs.SupersededBy(r.Context(), v.Bench, v.ID)
	if err != nil {
		d.failed(w, r, err)
		return
	}
	x := evidence.Verdict(v)
	row, err := d.boxRow(r, v)
	if err != nil {
		d.failed(w, r, err)
		return
	}
	b := boxLabelBody{boxRow: row, Outcome: outcomeMark(x.Outcome), Same: x.Outcome == x.OfTested, AfterID: clean(ref.ID)}
	address := url.URL{Scheme: "http", Host: r.Host, Path: b.Path}
	if d.o.Secure {
		address.Scheme = "https"
	}
	if !slices.ContainsFunc(Loopback(), func(name string) bool { return strings.EqualFold(address.Hostname(), name) }) {
		b.Address = address.String()
		if b.Code, err = qrCode(b.Address); err != nil {
			d.failed(w, r, err)
			return
		}
	}
	p := d.page("Label of test "+clean(v.ID), "boxes")
	p.Body = b
	d.show(w, r, http.StatusOK, "boxlabel", p)
}

// quietModules is the margin of a QR code (ISO/IEC 18004: four modules on every side).
const quietModules = 4

// qrCode draws a text as a QR code, a unit a module. Level M restores 15 % of what dirt
// and scratches take.
func qrCode(text string) (template.HTML, error) {
	code, err := qr.Encode(text, qr.M, qr.Unicode)
	if err != nil {
		return "", fmt.Errorf("make a QR code: %w", err)
	}
	n := code.Bounds().Dx()
	var path strings.Builder
	for y := range n {
		for x := range n {
			if dark, _, _, _ := code.At(x, y).RGBA(); dark == 0 {
				fmt.Fprintf(&path, "M%d %dh1v1h-1z", x+quietModules, y+quietModules)
			}
		}
	}
	side := n + 2*quietModules
	return template.HTML(fmt.Sprintf(`<svg class="code" role="img" aria-label="QR code of the address below" viewBox="0 0 %d %d" shape-rendering="crispEdges"><rect width="%d" height="%d" fill="#fff"/><path d="%s" fill="#000"/></svg>`,
		side, side, side, side, path.String())), nil
}
