package dashboard

import (
	"context"
	"crypto/sha256"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"keyturn/daemon/records"
	"keyturn/protocol"
)

// ofBench are records whose bench has described itself.
type ofBench struct {
	memory
	bench *protocol.BenchResult
}

func (m ofBench) Origin(ctx context.Context, bench, id string) (*records.Origin, error) {
	x, err := m.memory.Origin(ctx, bench, id)
	if err == nil {
		x.Bench = m.bench
	}
	return x, err
}

// A sheet says what its figures rest on, what they leave open, and from which stored
// bytes it was made.
func TestSheetTiesPaperToRecord(t *testing.T) {
	c := storedCycle(t, "double-start")
	payload, err := protocol.Encode(c)
	if err != nil {
		t.Fatal(err)
	}
	mean := protocol.Micros(6300)
	bench := &protocol.BenchResult{Description: protocol.Description{Software: "keyturn <0.1>", BatterySense: "lead-01", KeySense: protocol.KeySense{Terminal15: "lead-02"},
		Leads: protocol.List[protocol.BenchLead]{{Lead: "lead-01", Chip: "adc-1", IntervalBoundUS: 7000, IntervalMeanUS: &mean, Calibration: protocol.Calibration{Date: "2026-03-02", UGain: 0.001}},
			{Lead: "lead-02", Chip: "adc-1", Input: 1, IntervalBoundUS: 7000}}}}
	h := newPages(t, Options{State: newState(t), Records: ofBench{memory{c}, bench}})
	doc, _ := pageAt(t, h, "/cycle/"+c.Bench+"/"+c.ID, http.StatusOK)
	path := ""
	for _, a := range all(doc, "a", "href") {
		if words(a) == "Test sheet" {
			path = attr(a, "href")
		}
	}
	doc, _ = pageAt(t, h, path, http.StatusOK)
	text := words(doc)
	sum := fmt.Sprintf("%x", sha256.Sum256(payload))
	for _, want := range []string{
		sum[0:4] + " " + sum[4:8] + " " + sum[8:12] + " " + sum[12:16],
		fmt.Sprintf("bench %s, key cycle %s, revision %d; result %d of stream %s", c.Bench, c.ID, c.Revision, c.Seq, c.Stream),
		"± is k = 2", "What was not tested", "Nothing was loaded", "software keyturn <0.1>",
		"lead-01 battery sense adc-1 input 0 every 6.30 ms (mean) 2026-03-02 ± 26 mV", "lead-02 terminal 15 adc-1 input 1 at least every 7.00 ms never: by its parts",
		"Prove a circuit dead before you rely on it", "Airbags", "Measured by", "Checked by", "Date",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q", want)
		}
	}
	if n := strings.Count(text, c.Slots[0].Slot); n < 3 {
		t.Errorf("%s is in %d places only", c.Slots[0].Slot, n)
	}
	for path, status := range map[string]int{"/sheet/b/none": http.StatusNotFound, "/sheet/B/x": http.StatusNotFound} { // each by itself
		pageAt(t, h, path, status)
	}
	pageAt(t, newPages(t, Options{State: newState(t)}), path, http.StatusNotFound)
}
