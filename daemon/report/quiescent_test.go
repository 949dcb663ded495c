package report

import (
	"strings"
	"testing"

	"keyturn/protocol"
)

func parked(change func(*protocol.Quiescent)) *protocol.Cycle {
	ma, u, from, to := protocol.MilliAmps(18.43), protocol.MilliAmps(0.73), int64(600e9), int64(4400e9)
	q := &protocol.Quiescent{Lead: "shunt", LimitMA: 50, CurrentMA: &ma, UMA: &u, FromNS: &from, ToNS: &to,
		Asleep:    &protocol.Asleep{AtNS: 580e9, NotBeforeNS: 580e9, NotAfterNS: 580e9, AfterS: 560},
		Wakes:     protocol.List[protocol.Wake]{{AtNS: 1020e9, LastedS: 12.4, PeakMA: 2310, Slots: protocol.List[string]{"f02"}}},
		ChargeMAH: 95.23, SeenS: 4380}
	change(q)
	return &protocol.Cycle{Key: protocol.List[protocol.KeyMove]{{Position: protocol.PositionOn, AtNS: 10e9}, {Position: protocol.PositionOff, AtNS: 20e9}}, Quiescent: q}
}

func TestQuiescentCurrentInWords(t *testing.T) {
	for want, change := range map[string]func(*protocol.Quiescent){
		"Current after key-off: asleep after 9 min 20 s (asleep is below 50 mA), then 18.4 ± 1.5 mA (k = 2) over 63 min 20 s. Woken once: after 16 min 40 s for 12.4 s up to 2.3 A (with f02 going live). Charge drawn: 95.2 mAh in 73 min. Common practice: at most 50 mA 60 min after key-off.": func(*protocol.Quiescent) {},
		"Current after key-off: not asleep (asleep is below 50 mA), latest 420.0 ± 1.5 mA (k = 2) over 1 min. Charge drawn: at least 95.2 mAh in 73 min, not counting 2.0 s that could not be seen. Common practice: at most 50 mA 60 min after key-off; this was watched for 3 min.": func(q *protocol.Quiescent) {
			*q.CurrentMA, *q.FromNS, *q.ToNS, q.Asleep, q.Wakes, q.OverRangeS, q.UnseenS = 420, 140e9, 200e9, nil, nil, 1, 2
		},
		"Current after key-off: none that can be told from zero (0.2 ± 1.5 mA (k = 2) over 63 min 20 s). Is the shunt bridged, or not in the battery's path? Charge drawn: 95.2 mAh in 73 min. Common practice: at most 50 mA 60 min after key-off.": func(q *protocol.Quiescent) {
			*q.CurrentMA, q.Asleep, q.Wakes, q.NoCurrent = 0.2, nil, nil, true
		},
		"Current after key-off: not measured yet.": func(q *protocol.Quiescent) { q.CurrentMA, q.UMA, q.FromNS, q.ToNS = nil, nil, nil, nil },
	} {
		if got := Quiescent(parked(change)); got != want {
			t.Errorf("\n%s\nwant\n%s", got, want)
		}
	}
	for want, change := range map[string]func(*protocol.Quiescent){
		"Of late, none that can be told from zero": func(q *protocol.Quiescent) { q.NoCurrent = true },
		"flows into the battery":                   func(q *protocol.Quiescent) { *q.CurrentMA = -420 },
		"Woken 9 times: after 16 min 40 s for 12.4 s up to 2.3 A (with f02 going live); after 16 min 40 s for 12.4 s so far up to 310 mA; and so on.": func(q *protocol.Quiescent) {
			w := q.Wakes[0]
			w.PeakMA, w.Open, w.Slots = 310, true, nil
			q.Wakes, q.LeftOut = append(q.Wakes, w), 7
		},
	} {
		if got := Quiescent(parked(change)); !strings.Contains(got, want) {
			t.Errorf("%q does not hold %q", got, want)
		}
	}
	c := parked(func(*protocol.Quiescent) {})
	if got := Table(c, 60); !strings.Contains(strings.Join(strings.Fields(got), " "), Quiescent(c)) {
		t.Errorf("not in the table:\n%s", got)
	}
	if got := Quiescent(&protocol.Cycle{}); got != "" {
		t.Errorf("%q without a current lead", got)
	}
}
