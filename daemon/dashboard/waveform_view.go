package dashboard

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"keyturn/protocol"
)

// wavesMost is how many leads a page draws at once.
const wavesMost = 8

// wavesBody is what the page of a bench says of waveforms.
type wavesBody struct {
	Bench   string
	Sense   string // the battery sense lead; empty without
	Limits  *liveLimits
	Charts  []waveView
	Choices []waveChoice
}

// waveView is a lead's waveform in words.
type waveView struct {
	Lead, Name, Sentence string
	Rows                 []waveRow
}

// waveRow is one second of it.
type waveRow struct{ Ago, Least, Greatest string }

// waveChoice is a lead that can be drawn.
type waveChoice struct {
	Lead, Name string
	Drawn      bool
}

// waves is what the page of a bench says of waveforms, of the leads asked for or, where
// none is, of the battery and the slots that moved last.
func (d *dashboard) waves(h *heard, asked []string, now time.Time) wavesBody {
	b := wavesBody{Bench: h.id, Limits: h.limits()}
	if h.bench == nil {
		return b
	}
	named := h.leads()
	if b.Sense = string(h.bench.BatterySense); !named.has(b.Sense) && b.Sense != "" {
		b.Sense, b.Limits = "", nil // judged against a lead that nobody knows
	}
	drawn := slices.DeleteFunc(slices.Clone(asked), func(lead string) bool { return !named.has(lead) })
	if len(drawn) == 0 {
		drawn = h.leadsOfInterest(named)
	}
	drawn = drawn[:min(len(drawn), wavesMost)]
	w := d.o.State.wave(h.id, drawn, now)
	for _, l := range named {
		b.Choices = append(b.Choices, waveChoice{l.lead, l.name, slices.Contains(drawn, l.lead)})
	}
	for i, lead := range drawn {
		v := w.view(i)
		v.Lead, v.Name = lead, named.name(lead)
		b.Charts = append(b.Charts, v)
	}
	return b
}

// live is where the script gets the waveforms of the charts, and the battery's, which
// the limits follow.
func (b *wavesBody) live() string {
	q := url.Values{"bench": {b.Bench}}
	for _, c := range b.Charts {
		q.Add("wave", c.Lead)
	}
	if b.Sense != "" && !slices.Contains(q["wave"], b.Sense) {
		q.Add("wave", b.Sense)
	}
	return "/events?" + q.Encode()
}

// namedLead is a lead and what people call it.
type namedLead struct{ lead, slot, name string }

type namedLeads []namedLead

func (n namedLeads) has(lead string) bool { return n.at(lead) >= 0 }

func (n namedLeads) name(lead string) string {
	if i := n.at(lead); i >= 0 {
		return n[i].name
	}
	return lead
}

func (n namedLeads) at(lead string) int {
	return slices.IndexFunc(n, func(l namedLead) bool { return l.lead == lead })
}

// leads names the leads that a bench has described: by what they are on.
func (h *heard) leads() namedLeads {
	if h.bench == nil {
		return nil
	}
	legends := map[string]string{}
	for _, s := range h.bench.Slots {
		legends[s.Slot] = string(s.Legend)
	}
	key := h.bench.KeySense
	var out namedLeads
	for _, l := range h.bench.Leads {
		if len(out) == leadsMax || protocol.CheckID(l.Lead) != nil || out.has(l.Lead) || l.Shunt != nil {
			continue
		}
		name := "lead " + l.Lead
		switch protocol.OrNull(l.Lead) {
		case h.bench.BatterySense:
			name = "battery"
		case key.Terminal75:
			name = "terminal 75"
		case key.Terminal15:
			name = "terminal 15"
		case key.Terminal50:
			name = "terminal 50"
		case key.Terminal61:
			name = "terminal 61"
		}
		if l.Slot != "" {
			words := []string{string(l.Slot), legends[string(l.Slot)], string(l.Side)}
			name = clean(strings.Join(strings.Fields(strings.Join(words, " ")), " "))
		}
		out = append(out, namedLead{l.Lead, string(l.Slot), name})
	}
	return out
}

// leadsOfInterest are the battery's and those of the slots that moved last.
func (h *heard) leadsOfInterest(named namedLeads) []string {
	var out []string
	if sense := string(h.bench.BatterySense); named.has(sense) {
		out = append(out, sense)
	}
	for _, slot := range h.moved {
		for _, l := range named {
			if l.slot == slot {
				out = append(out, l.lead)
			}
		}
	}
	return out
}

// liveLimits are the figures that a bench judges its leads by.
type liveLimits struct {
	Live, Dead, Ghost float64 // fractions of the battery
	LiveV, DeadV      float64 // without a battery sense lead
}

// limits returns them if they can be: else nothing is drawn or judged by them.
func (h *heard) limits() *liveLimits {
	if h.bench == nil {
		return nil
	}
	x := h.bench.Limits
	l := liveLimits{float64(x.LiveAbove), float64(x.DeadBelow), float64(x.GhostBelow), float64(x.LiveAboveV), float64(x.DeadBelowV)}
	if !(0 < l.Dead && l.Dead < l.Live && l.Live < 1 && 0 < l.DeadV && l.DeadV < l.LiveV && l.LiveV < stripVoltsMax) {
		return nil
	}
	return &l
}

// Words says the limits.
func (l *liveLimits) Words(sense string) string {
	if sense == "" {
		return fmt.Sprintf("Live above %.1f V, no volts below %.1f V; between them the state stays.", l.LiveV, l.DeadV)
	}
	return fmt.Sprintf("Live above %.0f %%, no volts below %.0f %% of the battery's voltage of the same moment; between them the state stays.", 100*l.Live, 100*l.Dead)
}

// view puts the lead i of a waveform into a sentence and a row for each second.
func (w *wave) view(i int) waveView {
	var v waveView
	steps := w.leads[i]
	seconds := 0
	if len(w.begins) > 0 {
		seconds = int((w.end - w.begins[0] + 1e9 - 1) / 1e9)
	}
	all := span(steps)
	if !all.known() {
		v.Sentence = "Nothing was sampled in the last 30 s."
		return v
	}
	v.Sentence = fmt.Sprintf("in the last %d s least %s, greatest %s.", seconds, voltsOf(all.low), voltsOf(all.high))
	if latest := steps[len(steps)-1]; latest.known() {
		v.Sentence = "Latest " + latest.words() + "; " + v.Sentence
	} else {
		v.Sentence = "Nothing is being sampled; " + v.Sentence
	}
	for s := range seconds {
		row := waveRow{Ago: fmt.Sprintf("%d to %d s", s, s+1), Least: "not sampled"}
		if x := span(w.second(steps, s)); x.known() {
			row.Least, row.Greatest = voltsOf(x.low), voltsOf(x.high)
		}
		v.Rows = append(v.Rows, row)
	}
	return v
}

// second returns the steps of the second that began s+1 seconds before the latest.
func (w *wave) second(steps []extremes, s int) []extremes {
	at := func(before int) int {
		i, _ := slices.BinarySearch(w.begins, w.end-int64(before)*int64(time.Second))
		return i
	}
	return steps[at(s+1):at(s)]
}

// span is the least and greatest of all steps.
func span(steps []extremes) extremes {
	all := noSample
	for _, x := range steps {
		if !x.known() {
			continue
		}
		if !all.known() {
			all = x
		}
		all.low, all.high = min(all.low, x.low), max(all.high, x.high)
	}
	return all
}

func (x extremes) known() bool { return x.low == x.low }

func (x extremes) middle() float32 { return (x.low + x.high) / 2 }

// words says a step: as one figure where that is the same to a tenth of a volt.
func (x extremes) words() string {
	if x.high-x.low < 0.1 {
		return voltsOf(x.middle())
	}
	return voltsOf(x.low) + " to " + voltsOf(x.high)
}

func voltsOf(v float32) string {
	x := protocol.Volts(v)
	return voltsText(&x)
}

// waveUpdate is what a page is told of waveforms.
type waveUpdate struct {
	Whole bool         `json:"whole"` // it begins anew
	AtMS  []int64      `json:"at_ms"` // of each step, on the bench's clock
	EndMS int64        `json:"end_ms"`
	AgeMS int64        `json:"age_ms"` // of the end
	Leads []waveOfLead `json:"leads"`
}

type waveOfLead struct {
	Lead     string      `json:"lead"`
	Min      voltList    `json:"min"`
	Max      voltList    `json:"max"`
	Sentence string      `json:"sentence"`
	Rows     [][3]string `json:"rows"`
}

// voltList is written to the millivolt; what is not known as null.
type voltList []float32

// MarshalJSON writes it.
func (l voltList) MarshalJSON() ([]byte, error) {
	b := []byte{'['}
	for i, v := range l {
		if i > 0 {
			b = append(b, ',')
		}
		if v != v {
			b = append(b, "null"...)
			continue
		}
		b = fmt.Appendf(b, "%.3f", v)
	}
	return append(b, ']'), nil
}

// update returns the steps after those that a page has seen.
func (w *wave) update(leads []string, seen uint64) waveUpdate {
	first := w.n - uint64(len(w.begins))
	u := waveUpdate{Whole: seen < first || seen == 0, EndMS: w.end / 1e6, AgeMS: w.age.Milliseconds(), AtMS: []int64{}}
	from := int(max(seen, first) - first)
	for _, t := range w.begins[from:] {
		u.AtMS = append(u.AtMS, t/1e6)
	}
	for i, lead := range leads {
		v := w.view(i)
		l := waveOfLead{Lead: lead, Sentence: v.Sentence, Min: voltList{}, Max: voltList{}, Rows: [][3]string{}}
		for _, x := range w.leads[i][from:] {
			l.Min, l.Max = append(l.Min, x.low), append(l.Max, x.high)
		}
		for _, r := range v.Rows {
			l.Rows = append(l.Rows, [3]string{r.Ago, r.Least, r.Greatest})
		}
		u.Leads = append(u.Leads, l)
	}
	return u
}
