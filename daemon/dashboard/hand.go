package dashboard

import (
	"net/http"
	"time"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// handStale is when what a lead in hand read is no longer shown as what it reads. A
// bench tells its waveform four times a second.
const handStale = 5 * time.Second

// Pulsed is what comes on again so many times within pulsedOver: 2 Hz or faster.
const (
	pulsedOver  = 40 // steps of a waveform, 2 s
	pulsedRises = 3
)

// leadsBody is the page on which a lead is chosen.
type leadsBody struct {
	Bench string
	Hands []namedLead // in no slot and without a task of their own
	Leads []namedLead
}

// Lead and Name are for the templates.
func (l namedLead) Lead() string { return l.lead }

// Name is what people call the lead.
func (l namedLead) Name() string { return l.name }

// handBody is the page of one lead, for a phone in the footwell.
type handBody struct {
	handView
	Slots  []string // names that can be given
	Called string   // the one that was
}

// handView is what one lead reads.
type handView struct {
	Bench, Lead string
	Of          string // what the lead is, or the slot that it was given
	mark
	Volts, Why string
	age        time.Duration // ageUnknown: not known
	Hold       string        // why it is not the present state, whatever its age
}

// Stale reports whether it is no longer what the lead reads.
func (v handView) Stale() bool { return v.Hold != "" || v.age < 0 || v.age > handStale }

// Shown is what is shown as what the lead reads: nobody knows once it is stale.
func (v handView) Shown() mark {
	if v.Stale() {
		return mark{"unknown", report.State(protocol.Unknown)}
	}
	return v.mark
}

// AgeMS is how old it is, in milliseconds; -1: not known.
func (v handView) AgeMS() int64 {
	if v.age < 0 {
		return ageUnknown
	}
	return v.age.Milliseconds()
}

// StaleMS is when it becomes stale, for the script.
func (v handView) StaleMS() int64 { return handStale.Milliseconds() }

// Heard is how old it is, in words.
func (v handView) Heard() string {
	if v.age < 0 {
		return "not heard yet"
	}
	return "heard " + ago(v.age)
}

// leads lets a person choose the lead in hand.
func (d *dashboard) leads(w http.ResponseWriter, r *http.Request) {
	h, _, ok := d.known(w, r)
	if !ok {
		return
	}
	p := d.page("Which lead is in your hand?", "now")
	body := leadsBody{Bench: h.id}
	for _, l := range h.leads() {
		if h.isHand(l) {
			body.Hands = append(body.Hands, l)
		} else {
			body.Leads = append(body.Leads, l)
		}
	}
	p.Body = body
	d.show(w, r, http.StatusOK, "leads", p)
}

// known returns the bench of an address; else it says that there is none.
func (d *dashboard) known(w http.ResponseWriter, r *http.Request) (h heard, version uint64, ok bool) {
	id := r.PathValue("bench")
	if protocol.CheckID(id) == nil {
		h, version, ok = d.o.State.one(id)
	}
	if !ok {
		d.sorry(w, r, http.StatusNotFound, "No bench of that name has been heard.")
	}
	return h, version, ok
}

// isHand reports whether a lead is in no slot and has no task of its own.
func (h *heard) isHand(l namedLead) bool {
	k := h.bench.KeySense
	switch protocol.OrNull(l.lead) {
	case h.bench.BatterySense, k.Terminal75, k.Terminal15, k.Terminal50, k.Terminal61:
		return false
	}
	return l.slot == ""
}

// hand shows what one lead reads.
func (d *dashboard) hand(w http.ResponseWriter, r *http.Request) {
	h, _, ok := d.known(w, r)
	if !ok {
		return
	}
	now := time.Now()
	v, version, ok := d.o.State.inHand(h.id, r.PathValue("lead"), now)
	if !ok {
		d.sorry(w, r, http.StatusNotFound, "The bench has described no lead of that name.")
		return
	}
	p := d.page(v.Of, "now")
	body := handBody{handView: v}
	for i, s := range h.bench.Slots {
		if i == slotsMax {
			break
		}
		if protocol.CheckID(s.Slot) != nil {
			continue
		}
		body.Slots = append(body.Slots, s.Slot)
		if s.Slot == r.URL.Query().Get("name") {
			body.Called = s.Slot
		}
	}
	p.Live, p.Version, p.Body = "/events?bench="+v.Bench+"&hand="+v.Lead, version, body
	p.Scripts = []string{"hand.js"}
	d.show(w, r, http.StatusOK, "hand", p)
}

// inHand returns what a lead of a bench reads; false if the bench has described none of
// that name.
func (s *State) inHand(bench, lead string, now time.Time) (v handView, version uint64, ok bool) {
	h, version, ok := s.one(bench)
	if !ok {
		return v, version, false
	}
	named := h.leads()
	at := named.at(lead)
	if at < 0 {
		return v, version, false
	}
	w := s.wave(bench, []string{lead, string(h.bench.BatterySense)}, now)
	return h.inHand(named[at], &w, now), version, true
}

func (h *heard) inHand(l namedLead, w *wave, now time.Time) handView {
	v := handView{Bench: h.id, Lead: l.lead, Of: l.name, age: ageUnknown, Hold: h.hold()}
	if l.slot != "" {
		v.Of = "lead of " + l.name
	}
	reads, battery := w.latest(0), w.latest(1)
	if len(w.begins) > 0 {
		v.age = w.age
	}
	if h.now != nil && !h.nowAt.IsZero() && (v.age < 0 || now.Sub(h.nowAt) < v.age) {
		v.age = max(0, now.Sub(h.nowAt))
	}
	if !reads.known() {
		reads = h.reads(l.lead)
	}
	if !battery.known() {
		battery = h.reads(string(h.bench.BatterySense))
	}
	v.mark, v.Why = h.judged(l, reads, battery)
	if reads.known() {
		v.Volts = reads.words()
		if l, ok := h.limitVolts(battery); ok && v.Shape != "unknown" && pulsed(w.leads[0], l) {
			v.mark = mark{"pulsed", string(protocol.SeenPulsed)}
		}
	}
	return v
}

// latest is the latest step of the lead i.
func (w *wave) latest(i int) extremes {
	if n := len(w.leads[i]); n > 0 {
		return w.leads[i][n-1]
	}
	return noSample
}

// reads is a lead's voltage as the bench said it last.
func (h *heard) reads(lead string) extremes {
	if h.now != nil {
		for _, x := range h.now.Leads {
			if x.Lead == lead && x.V != nil {
				return extremes{float32(*x.V), float32(*x.V)}
			}
		}
	}
	return noSample
}

// limitVolts are a bench's limits in volts.
type limitVolts struct{ live, dead, ghost float32 }

// limitVolts returns the limits at a voltage of the battery.
func (h *heard) limitVolts(battery extremes) (v limitVolts, ok bool) {
	l := h.limits()
	switch {
	case l == nil:
		return v, false
	case h.bench.BatterySense == "":
		return limitVolts{float32(l.LiveV), float32(l.DeadV), float32(l.DeadV)}, true
	}
	at := float64(battery.middle())
	return limitVolts{float32(at * l.Live), float32(at * l.Dead), float32(at * l.Ghost)}, battery.known()
}

// judged says the state of a lead. Of a lead that is alone in its slot the bench says
// it; of any other it follows from the limits, and between them it is not known, for
// only the bench has seen where the lead came from.
func (h *heard) judged(l namedLead, reads, battery extremes) (m mark, why string) {
	ghost := h.ghosts[l.lead]
	if s := h.alone(l); s != nil {
		m, _ := slotMark(s.State, ghost)
		return m, clean(string(s.Reason))
	}
	limits, ok := h.limitVolts(battery)
	state := protocol.Unknown
	switch v := reads.middle(); {
	case !reads.known():
		why = "nothing was sampled"
	case !ok:
		why = "nothing to judge it by"
	case v >= limits.live:
		state = protocol.Live
	case v <= limits.dead || ghost && v < limits.ghost:
		state = protocol.Dead
	default:
		why = "between live and no volts"
	}
	m, _ = slotMark(state, ghost)
	return m, why
}

// alone is what the bench says of the slot that has this lead and no other; nil if
// there is none.
func (h *heard) alone(l namedLead) *protocol.NowSlot {
	n := 0
	for i := range h.bench.Leads {
		if string(h.bench.Leads[i].Slot) == l.slot {
			n++
		}
	}
	if l.slot == "" || n != 1 || h.now == nil {
		return nil
	}
	for i := range h.now.Slots {
		if h.now.Slots[i].Slot == l.slot {
			return &h.now.Slots[i]
		}
	}
	return nil
}

// pulsed reports whether a lead was switched on and off fast in its latest steps. A
// step with both is an edge; more than one such in a row are edges without end.
func pulsed(steps []extremes, l limitVolts) bool {
	rises, both := 0, 0
	was := true // live: what came on before the first is not known
	for _, x := range steps[max(0, len(steps)-pulsedOver):] {
		on, off := x.high >= l.live, x.low <= l.dead
		switch {
		case on && off:
			if both++; both > 1 {
				rises++
			}
			continue
		case on && !was:
			rises++
			was = true
		case off:
			was = false
		}
		both = 0
	}
	return rises >= pulsedRises
}

// handUpdate is what a page is told of the lead in hand.
type handUpdate struct {
	Shape string `json:"shape"`
	Word  string `json:"word"`
	Volts string `json:"volts"`
	Why   string `json:"why"`
	AgeMS int64  `json:"age_ms"` // -1: not known
	Hold  string `json:"hold"`
}

func (v handView) update() handUpdate {
	return handUpdate{v.Shape, v.Word, v.Volts, v.Why, v.AgeMS(), v.Hold}
}
