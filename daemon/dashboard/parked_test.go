package dashboard

import (
	"net/http"
	"strings"
	"testing"

	"keyturn/protocol"
)

// The page of a parked vehicle says what it draws and lists what woke it, no more than a
// page bears, whatever a bench writes.
func TestParkedVehicleInThePage(t *testing.T) {
	c := cycleOf("b", 0)
	off := protocol.KeyMove{Position: protocol.PositionOff, AtNS: c.Key[len(c.Key)-1].AtNS + 10e9, Source: protocol.SourceLead}
	c.Key = append(c.Key, off)
	ma, u, from, to := protocol.MilliAmps(18.43), protocol.MilliAmps(0.73), off.AtNS, off.AtNS+int64(4000e9)
	q := &protocol.Quiescent{Lead: "amps", LimitMA: 50, CurrentMA: &ma, UMA: &u, FromNS: &from, ToNS: &to, LeftOut: 3,
		Asleep: &protocol.Asleep{AtNS: off.AtNS + 60e9, NotBeforeNS: off.AtNS, NotAfterNS: to, AfterS: 60}}
	for range wakesMax + 5 {
		q.Wakes = append(q.Wakes, protocol.Wake{AtNS: off.AtNS + 90e9, LastedS: 12.4, PeakMA: 2310, Slots: protocol.List[string]{"f01", hostile[0]}})
	}
	c.Quiescent = q
	h := newPages(t, Options{State: newState(t), Records: memory{c}})
	doc, body := pageAt(t, h, "/cycle/b/"+c.ID, http.StatusOK)
	text := words(doc)
	for _, want := range []string{"asleep after 1 min (asleep is below 50 mA), then 18.4 ± 1.5 mA", "Woken while parked", "1 min 30 s 12.4 s 2.3 A f01 and <script>", "8 more are not listed here."} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in %s", want, text)
		}
	}
	if n := strings.Count(text, "1 min 30 s 12.4 s 2.3 A"); n != wakesMax {
		t.Errorf("%d rows", n)
	}
	if strings.Contains(body, hostile[0]) {
		t.Error("a hostile text is not inert")
	}
}
