package daemon

import (
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"keyturn/adc"
	"keyturn/daemon/link"
	"keyturn/daemon/measure"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// Health tells how a running daemon is: to a service manager, a monitor, a person.
// Run fills it; it may be asked from any goroutine.
type Health struct {
	// Temperature is the machine's in °C; nil where it is not known.
	Temperature func() (float64, bool)

	state atomic.Pointer[vitals]
}

// vitals are the state as of a moment.
type vitals struct {
	at        time.Time
	bench     string
	boot      string
	now       adc.Instant
	leads     []leadVitals
	refusals  []measure.Refusal
	chips     []adc.Counts
	outbox    outbox.Counts
	link      link.Counts
	inputs    int64 // inputs the core has taken
	lostInput int64 // inputs that had no room
	refusing  string
}

type leadVitals struct {
	lead                 string
	known                bool   // live or dead, or its current is measured
	reason               string // why it is not
	samples              int64
	mean, longest, bound float64 // µs
}

const (
	// vitalsEvery is how often they are renewed.
	vitalsEvery = time.Second
	// stillMost is how long the core, and writerMost how long the store's writer, may
	// be silent before something hangs.
	stillMost  = 5 * time.Second
	writerMost = 15 * time.Second
)

// followVitals renews them when it is time.
func (c *core) followVitals(feeds []*feed) {
	h := c.o.Health
	if h == nil || c.vitalsAt != 0 && c.now.Sub(c.vitalsAt) < vitalsEvery {
		return
	}
	c.vitalsAt = c.now
	v := &vitals{at: time.Now(), bench: c.o.Bench, boot: c.o.Boot, now: c.now, refusals: c.engine.Refusals(), outbox: c.outbox.Counts(),
		link: c.link.Counts(), inputs: c.inputs, refusing: c.moment.refusing}
	for _, f := range feeds {
		v.chips = append(v.chips, f.scanner.Counts()...)
		v.lostInput += f.dropped.Load()
	}
	for i := range c.t.p.Leads {
		l := leadVitals{lead: c.t.lead(i), known: c.moment.known(i), reason: c.moment.reasons[i], samples: c.moment.count[i]}
		if i < len(c.benchD.Leads) {
			l.bound = float64(c.benchD.Leads[i].IntervalBoundUS)
		}
		if n := c.moment.count[i]; n > 0 {
			l.mean, l.longest = float64(c.moment.sum[i])/float64(n)/1e3, float64(c.moment.longest[i])/1e3
		}
		v.leads = append(v.leads, l)
	}
	h.state.Store(v)
}

// Check returns what keeps the daemon from doing its work; empty if nothing does.
// A broker that is away is no such thing: results wait for it.
func (h *Health) Check() (faults []string) {
	v := h.state.Load()
	if v == nil {
		return []string{"nothing was sampled yet"}
	}
	if hung := h.Hung(); hung != "" {
		faults = append(faults, hung)
	}
	if v.outbox.Trouble != "" {
		faults = append(faults, "results cannot be kept: "+v.outbox.Trouble)
	}
	blind := 0
	for _, l := range v.leads {
		if !l.known {
			blind++
		}
	}
	if blind > 0 {
		faults = append(faults, fmt.Sprintf("%d of %d leads cannot be judged", blind, len(v.leads)))
	}
	return faults
}

// Hung says what no longer moves, though it should whatever befalls bus, disk and
// network; empty if all does. A restart may cure it.
func (h *Health) Hung() string {
	v := h.state.Load()
	switch {
	case v == nil || time.Since(v.at) > stillMost:
		return "the measuring core does not move"
	case v.outbox.WriterIdle > writerMost:
		return "the writer of the store does not move"
	}
	return ""
}

// Seen reports whether any lead was ever sampled.
func (h *Health) Seen() bool {
	v := h.state.Load()
	return v != nil && slices.ContainsFunc(v.leads, func(l leadVitals) bool { return l.samples > 0 })
}

// Progress is how far a daemon is.
type Progress struct {
	// Leads is how many there are, Blind how many of them cannot be judged, and Why
	// says why, each reason once.
	Leads, Blind int
	Why          []string
	Chips        []adc.Counts
	// Last is the latest result, Delivered the latest that has arrived for good.
	Last, Delivered int64
}

// Progress returns how far the daemon is; the zero value before its first moment.
func (h *Health) Progress() (p Progress) {
	v := h.state.Load()
	if v == nil {
		return p
	}
	p = Progress{Leads: len(v.leads), Chips: v.chips, Last: v.outbox.Last, Delivered: v.outbox.Delivered}
	for _, l := range v.leads {
		if l.known {
			continue
		}
		p.Blind++
		if l.reason != "" && !slices.Contains(p.Why, l.reason) {
			p.Why = append(p.Why, l.reason)
		}
	}
	return p
}

// Summary is the state in one line.
func (h *Health) Summary() string {
	v := h.state.Load()
	if v == nil {
		return "starting"
	}
	seen := 0
	for _, l := range v.leads {
		if l.samples > 0 && l.known {
			seen++
		}
	}
	s := fmt.Sprintf("%d of %d leads seen, results: %d stored, %d to be sent", seen, len(v.leads), v.outbox.Last, v.outbox.Waiting)
	if !v.link.Connected {
		s += ", no broker"
	}
	if v.refusing != "" {
		s += "; key cycles are refused: " + v.refusing
	}
	return s
}

// ServeHTTP serves /healthz (200 or 503, with the reasons a line each) and /metrics
// (the text format of OpenMetrics' forerunner, version 0.0.4).
func (h *Health) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		http.Error(w, "only GET", http.StatusMethodNotAllowed)
		return
	}
	switch r.URL.Path {
	case "/healthz":
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		if faults := h.Check(); len(faults) > 0 {
			w.WriteHeader(http.StatusServiceUnavailable)
			fmt.Fprintln(w, strings.Join(faults, "\n"))
			return
		}
		fmt.Fprintln(w, "ok: "+h.Summary())
	case "/metrics":
		w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
		h.writeMetrics(w)
	default:
		http.Error(w, "there are /healthz and /metrics", http.StatusNotFound)
	}
}

// writeMetrics writes every figure with its help and type.
func (h *Health) writeMetrics(w io.Writer) {
	v := h.state.Load()
	if v == nil {
		return
	}
	family := func(name, kind, help string) {
		fmt.Fprintf(w, "# HELP keyturn_%s %s\n# TYPE keyturn_%s %s\n", name, help, name, kind)
	}
	one := func(name, kind, help string, x float64) {
		family(name, kind, help)
		fmt.Fprintf(w, "keyturn_%s{bench=%q} %g\n", name, v.bench, x)
	}
	perLead := func(name, kind, help string, x func(leadVitals) float64) {
		family(name, kind, help)
		for _, l := range v.leads {
			fmt.Fprintf(w, "keyturn_%s{bench=%q,lead=%q} %g\n", name, v.bench, l.lead, x(l))
		}
	}
	perChip := func(name, help string, x func(adc.Counts) int64) {
		family(name, "counter", help)
		for _, c := range v.chips {
			fmt.Fprintf(w, "keyturn_%s{bench=%q,chip=%q} %d\n", name, v.bench, c.Chip, x(c))
		}
	}
	perLead("lead_interval_mean_seconds", "gauge", "Mean sample interval of the lead since the start.", func(l leadVitals) float64 { return l.mean / 1e6 })
	perLead("lead_interval_longest_seconds", "gauge", "Longest sample interval of the lead since the start.", func(l leadVitals) float64 { return l.longest / 1e6 })
	perLead("lead_interval_bound_seconds", "gauge", "What the plan allows with every conversion as long as the data sheet permits.", func(l leadVitals) float64 { return l.bound / 1e6 })
	perLead("lead_samples_total", "counter", "Sample intervals of the lead since the start.", func(l leadVitals) float64 { return float64(l.samples) })
	perLead("lead_known", "gauge", "1 while the lead is live or dead, or its current is measured, 0 while it is unknown.", func(l leadVitals) float64 { return truth(l.known) })
	family("lead_refused_total", "counter", "Samples of the lead refused, by reason.")
	for _, r := range v.refusals {
		lead := "none"
		if r.Lead >= 0 && r.Lead < len(v.leads) {
			lead = v.leads[r.Lead].lead
		}
		fmt.Fprintf(w, "keyturn_lead_refused_total{bench=%q,lead=%q,reason=%q} %d\n", v.bench, lead, r.Reason, r.Total)
	}
	perChip("chip_samples_total", "Samples read from the chip.", func(c adc.Counts) int64 { return c.Samples })
	perChip("chip_verified_total", "Proofs that the chip keeps to its data sheet.", func(c adc.Counts) int64 { return c.Verified })
	perChip("chip_faults_total", "Transfers with the chip that failed.", func(c adc.Counts) int64 { return c.Faults })
	one("inputs_total", "counter", "Inputs that the measuring core has taken.", float64(v.inputs))
	one("inputs_dropped_total", "counter", "Inputs for which the core's queue had no room.", float64(v.lostInput))
	one("outbox_results", "gauge", "The latest number given to a result.", float64(v.outbox.Last))
	one("outbox_waiting", "gauge", "Results that the broker has not acknowledged.", float64(v.outbox.Waiting))
	one("outbox_undelivered", "gauge", "Results that the record keepers, or without any the broker, do not have.", float64(v.outbox.Last-v.outbox.Delivered))
	one("outbox_queued", "gauge", "Results that are not on the disk yet.", float64(v.outbox.Queued))
	one("outbox_dropped_total", "counter", "Results that were numbered and not kept.", float64(v.outbox.Dropped))
	one("outbox_bytes", "gauge", "Bytes of the results on the disk.", float64(v.outbox.Bytes))
	one("outbox_trouble", "gauge", "1 while results cannot be kept.", truth(v.outbox.Trouble != ""))
	one("link_connected", "gauge", "1 while the broker is there.", truth(v.link.Connected))
	one("link_attempts_total", "counter", "Connections tried.", float64(v.link.Attempts))
	one("link_waveforms_dropped_total", "counter", "Waveform documents that were dropped.", float64(v.link.WaveformsDropped))
	one("link_inward_refused_total", "counter", "Receipts and requests that could not be used.", float64(v.link.InwardRefused))
	one("monotonic_seconds", "gauge", "The monotonic clock of the boot.", float64(v.now)/1e9)
	if h.Temperature != nil {
		if c, ok := h.Temperature(); ok {
			one("temperature_celsius", "gauge", "Temperature of the machine.", c)
		}
	}
	family("info", "gauge", "Which program runs on which boot.")
	fmt.Fprintf(w, "keyturn_info{bench=%q,boot=%q,version=%q} 1\n", v.bench, v.boot, protocol.Version)
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
