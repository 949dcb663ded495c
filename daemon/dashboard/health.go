package dashboard

import (
	"fmt"
	"net/http"
	"time"

	"keyturn/protocol"
)

// healthBody is the page Health.
type healthBody struct {
	Benches []healthView
	Refused uint64
	Lost    uint64 // waveforms
}

// healthView is how a bench is.
type healthView struct {
	benchView
	Known bool // it has described itself
	Chips []string
	Leads []leadView
	Over  int // leads whose interval exceeds its bound
}

// leadView is a lead's sampling and calibration.
type leadView struct {
	Lead, Slot, Bound, Mean, Longest string
	mark
	Calibrated, Tau string
}

// leadsMax is how many leads of a bench are shown.
const leadsMax = 256

func (d *dashboard) health(w http.ResponseWriter, r *http.Request) {
	p := d.page("Health of the benches", "health")
	all, version := d.o.State.since(0)
	body := healthBody{Refused: d.o.State.Refused(), Lost: d.o.State.WavesLost()}
	for i := range all {
		body.Benches = append(body.Benches, all[i].health(p.Made))
	}
	p.Live, p.Version, p.Body = "/events", version, body
	d.show(w, r, http.StatusOK, "health", p)
}

func (h *heard) health(now time.Time) healthView {
	v := healthView{benchView: h.view(now), Known: h.bench != nil}
	if !v.Known {
		return v
	}
	for i, c := range h.bench.Chips {
		if i == leadsMax {
			break
		}
		v.Chips = append(v.Chips, fmt.Sprintf("%s: %s at 0x%02x on %s, %.0f conversions a second", clean(c.Chip), clean(c.Family), c.Address, clean(c.Bus), float64(c.RateHz)))
	}
	for i := range h.bench.Leads {
		if i == leadsMax {
			break
		}
		l := leadOf(&h.bench.Leads[i])
		if l.Shape == "over" {
			v.Over++
		}
		v.Leads = append(v.Leads, l)
	}
	return v
}

func leadOf(l *protocol.BenchLead) leadView {
	v := leadView{Lead: clean(l.Lead), Slot: clean(string(l.Slot)), Bound: millis(&l.IntervalBoundUS), Mean: millis(l.IntervalMeanUS), Longest: millis(l.IntervalLongestUS)}
	switch {
	case l.IntervalMeanUS == nil:
		v.mark = mark{"notknown", "not measured yet"}
	case *l.IntervalMeanUS > l.IntervalBoundUS: // one interval may be longer: inputs change places
		v.mark = mark{"over", "over its bound"}
	default:
		v.mark = mark{"within", "within its bound"}
	}
	v.Calibrated = "never: by its parts"
	if l.Calibration.Date != "" {
		v.Calibrated = clean(string(l.Calibration.Date))
		switch age := l.Calibration.AgeDays; {
		case age == nil:
		case *age < 0:
			v.Calibrated += ", later than the bench's clock says"
		default:
			v.Calibrated += ", " + plural(*age, "day", "days") + " old"
		}
	}
	v.Tau = fmt.Sprintf("%.2f ms", float64(l.TauUS)*1e-3)
	if l.Shunt != nil {
		v.Tau = fmt.Sprintf("none: a shunt of %g mΩ", float64(l.Shunt.MOhm))
	}
	if l.TauLearned != nil {
		v.Tau = fmt.Sprintf("%.2f ms, learned from %s", float64(l.TauLearned.DrivenUS)*1e-3, plural(l.TauLearned.Edges, "edge", "edges"))
	}
	return v
}

func millis(us *protocol.Micros) string {
	if us == nil {
		return ""
	}
	return fmt.Sprintf("%.2f ms", float64(*us)*1e-3)
}
