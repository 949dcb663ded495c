package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"keyturn/protocol"
)

// SheetRows are Rows with an uncertainty to every figure: expanded, k = 2.
func SheetRows(c *protocol.Cycle) []Row {
	rows := Rows(c)
	for i := range c.Slots {
		s, r := &c.Slots[i], &rows[i]
		if t, k := Follows(c, s); t != nil {
			r.OnAfter = secondsWithin(float64(t.AtNS-k.AtNS)*1e-9, 2e-6*math.Hypot(float64(t.UUS), float64(k.UUS)))
		}
		switch {
		case s.StaysOnS == nil || s.StaysOnOpen:
		case s.StaysOnUMS == nil: // it came later than the document
			r.OffAfter = Seconds(float64(*s.StaysOnS)) + ", ± not recorded"
		default:
			r.OffAfter = secondsWithin(float64(*s.StaysOnS), 2e-3*float64(*s.StaysOnUMS))
		}
		if k := LowestSag(s.Leads...); k != nil {
			r.Lowest = LowestWithin(k)
		}
	}
	return rows
}

// secondsWithin writes a time with its expanded uncertainty in the unit of Seconds, the
// uncertainty rounded up: what is printed is never less than what is known.
func secondsWithin(s, u float64) string {
	if math.Abs(s) < 0.9995 {
		return fmt.Sprintf("%.1f ± %.1f ms", s*1e3, up(u*1e3, 1))
	}
	if s < 59.95 {
		return fmt.Sprintf("%.2f ± %.2f s", s, up(u, 2))
	}
	return fmt.Sprintf("%s ± %.1f s", Seconds(s), up(u, 1))
}

// up rounds up to so many decimals.
func up(v float64, decimals int) float64 {
	p := math.Pow10(decimals)
	return math.Ceil(v*p-1e-9) / p
}

// LowestWithin says how low a lead fell, with its expanded uncertainty (k = 2), and how
// much deeper a dip between two samples can have been.
func LowestWithin(k *protocol.Sag) string {
	if k.AtOrBelow {
		return sagText(k)
	}
	text := fmt.Sprintf("%.2f ± %.2f V", float64(k.MinV), up(2*float64(k.MinUV), 2))
	if k.HiddenDipV >= 0.01 {
		text += fmt.Sprintf(", unseen up to %.2f V lower", up(float64(k.HiddenDipV), 2))
	}
	return text
}

// HowMeasured says by what a key cycle was measured, and what its figures mean.
func HowMeasured(c *protocol.Cycle, d *protocol.Description) []string {
	out := []string{"Figures after ± are expanded uncertainties (k = 2): they cover the truth at least 95 times in 100 (JCGM 100:2008)."}
	if d == nil {
		return append(out, fmt.Sprintf("The description of the bench (revision %s) is not in the records: leads, intervals and calibration are not known here.", c.BenchRev))
	}
	families := map[string]int{}
	var order []string
	for _, x := range d.Chips {
		if families[x.Family]++; families[x.Family] == 1 {
			order = append(order, x.Family)
		}
	}
	var chips []string
	for _, f := range order {
		chips = append(chips, fmt.Sprintf("%d %s", families[f], f))
	}
	how := fmt.Sprintf("Bench %s, described as revision %s; software %s; %d leads on %s.", c.Bench, c.BenchRev, d.Software, len(d.Leads), orNone(chips))
	out = append(out, how)
	if s := intervals(d); s != "" {
		out = append(out, s)
	}
	l := &d.Limits
	if d.BatterySense != "" {
		out = append(out, fmt.Sprintf("Live above %.0f %%, no volts below %.0f %% of the battery sense lead of the same moment; between them the state stays.", 100*float64(l.LiveAbove), 100*float64(l.DeadBelow)))
	} else {
		out = append(out, fmt.Sprintf("No battery sense lead: live above %.1f V, no volts below %.1f V; between them the state stays.", float64(l.LiveAboveV), float64(l.DeadBelowV)))
	}
	return append(out, fmt.Sprintf("Watched for at most %s after key-off.", Seconds(float64(l.WatchS))), calibrated(d))
}

func orNone(words []string) string {
	if len(words) == 0 {
		return "no converter"
	}
	return list(words, "and")
}

// intervals says how often the leads were sampled.
func intervals(d *protocol.Description) string {
	var mean, bound float64
	for _, l := range d.Leads {
		bound = max(bound, float64(l.IntervalBoundUS))
		if l.IntervalMeanUS != nil {
			mean = max(mean, float64(*l.IntervalMeanUS))
		}
	}
	achieved := fmt.Sprintf("Each lead was sampled every %.2f ms or more often (mean)", mean*1e-3)
	switch {
	case bound == 0 && mean == 0:
		return ""
	case bound == 0: // of a recording
		return achieved + "."
	case mean == 0:
		return fmt.Sprintf("Each lead is sampled at least every %.2f ms by plan; what was achieved is not recorded.", bound*1e-3)
	}
	return achieved + fmt.Sprintf("; at least every %.2f ms by plan.", bound*1e-3)
}

// calibrated says when the leads were calibrated.
func calibrated(d *protocol.Description) string {
	var dates, never []string
	for _, l := range d.Leads {
		if l.Calibration.Date == "" {
			never = append(never, l.Lead)
		} else {
			dates = append(dates, string(l.Calibration.Date))
		}
	}
	slices.Sort(dates) // YYYY-MM-DD
	dates = slices.Compact(dates)
	var text string
	switch n := len(dates); n {
	case 0:
		return "No lead was ever calibrated: volts are by the parts' tolerances."
	case 1:
		text = "Leads calibrated on " + dates[0]
	default:
		text = fmt.Sprintf("Leads calibrated from %s to %s", dates[0], dates[n-1])
	}
	if len(never) > 0 {
		text += "; never: " + strings.Join(never, ", ") + ", whose volts are by the parts' tolerances"
	}
	return text + "."
}

// LeadUncertainty is a lead's expanded uncertainty (k = 2) at 12.6 V by its calibration.
func LeadUncertainty(l *protocol.Calibration) string {
	const atV = 12.6
	return fmt.Sprintf("± %.0f mV", math.Ceil(2e3*math.Hypot(atV*float64(l.UGain), float64(l.UOffsetV))))
}

// Cautions are what must stand with results on paper.
func Cautions() []string {
	return []string{
		"“No volts” is what was measured. Prove a circuit dead before you rely on it: prove the tester on a live feed, test, prove the tester again.",
		"Airbags, belt tensioners, ABS, steering, brakes: put no lead into their slots, pull none of their fuses, tap none of their feeds. Work near them only as the maker of the vehicle says.",
		"Battery: a short melts tools and burns. Fuse a feed at its source; take rings and watches off.",
		"Cranking: neutral or park, handbrake on, nobody near belts and fans, charger off.",
		"High voltage: nothing at all on 60 V and above or orange cable.",
		"Local rules and the practice of your trade come first. This sheet tells what was measured; it does not make a circuit safe.",
	}
}
