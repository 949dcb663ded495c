package main

import (
	"encoding/json"
	"strings"
	"testing"

	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

// pairs is the whole key cycle with a lead on each side of f01 and f03, fuse in, which read
// so many volts at rest with the key on; 0: no volts.
func pairs(t *testing.T, name string, f01, f03 [2]float64) string {
	t.Helper()
	y := protocoltest.Cycle(t, wholeCycle)
	for i := range y.Slots {
		s := &y.Slots[i]
		v, ok := map[string][2]float64{"f01": f01, "f03": f03}[s.Slot]
		if !ok {
			continue
		}
		s.Fuse = protocol.FuseIn
		second := s.Leads[0]
		second.Lead += "-lower"
		s.Leads = append(s.Leads, second)
		for k, side := range []protocol.OrNull{"upper", "lower"} {
			state := protocol.Live
			if v[k] == 0 {
				state = protocol.Dead
			}
			s.Leads[k].Side = side
			s.Leads[k].Levels = protocol.List[protocol.PositionLevel]{{Position: protocol.PositionOn, State: state, V: protocol.Volts(v[k]), UV: 0.05}}
		}
	}
	text, err := json.Marshal(y)
	if err != nil {
		t.Fatal(err)
	}
	return put(t, name, string(text))
}

// Through f01 flow some 4 A (30 mV over a miniature fuse of 10 A, 7.5 mΩ); that of f03 is
// blown, or nothing flows.
func TestFuseFlowIsTold(t *testing.T) {
	null := pairs(t, "null.json", [2]float64{12.49, 12.5}, [2]float64{12.5, 12.51})
	blown := pairs(t, "blown.json", [2]float64{12.5, 12.48}, [2]float64{0, 12.5})
	quiet := pairs(t, "quiet.json", [2]float64{12.49, 12.5}, [2]float64{12.5, 12.51})
	box := []string{"--box", "../../testdata/boxes/parcel-12.toml"}

	out, err := verdictOf(t, 120, append(box, blown, "--leave-out", "contact,sides", "--null", null)...)
	if err != nil {
		t.Fatal(err)
	}
	for _, says := range []string{"f01: more than 1.6 A flows: 3.", "with the key at on", "f03: blown fuse"} {
		if !strings.Contains(out, says) {
			t.Errorf("no %q in\n%s", says, out)
		}
	}
	out, err = verdictOf(t, 120, append(box, quiet, "--null", null)...)
	if err != nil || !strings.Contains(out, "f03: no more than") || !strings.Contains(out, "f01: no more than") {
		t.Errorf("%v\n%s", err, out)
	}
	var doc verdictJSON
	out, err = verdictOf(t, 120, append(box, blown, "--json", "--null", null)...)
	if err == nil {
		err = json.Unmarshal([]byte(out), &doc)
	}
	if err != nil || len(doc.FuseFlows) != 2 || doc.FuseFlows[0].A == nil || *doc.FuseFlows[0].A < 3 || !*doc.FuseFlows[0].Flows || *doc.FuseFlows[0].Backwards || !doc.FuseFlows[1].Blown {
		t.Errorf("%v\n%s", err, out)
	}

	// A feed behind a blown fuse is none, and what flows counts as seen.
	out, err = feedOf(t, append(box, blown, "--kind", "permanent", "--amps", "1", "--null", null)...)
	if err != nil || !strings.HasPrefix(out, "No slot can feed this.") || !strings.Contains(out, "Not f03 (Cigar socket): blown fuse.") {
		t.Errorf("%v\n%s", err, out)
	}
	out, err = feedOf(t, append(box, blown, "--kind", "switched", "--amps", "0.5", "--minimum-v", "7", "--null", null)...)
	if err != nil || !strings.Contains(out, "as seen; switch everything on and measure") {
		t.Errorf("%v\n%s", err, out)
	}

	other := protocoltest.Cycle(t, null)
	other.Bench = "another"
	text, err := json.Marshal(other)
	if err != nil {
		t.Fatal(err)
	}
	for says, args := range map[string][]string{
		"its fuse in":  {wholeCycle, "--null", null},
		"another":      {blown, "--null", put(t, "other.json", string(text))},
		"no key cycle": {blown, "--null", "../../protocol/testdata/golden/now.json"},
	} {
		if out, err := verdictOf(t, 120, append(args, box...)...); err == nil || !strings.Contains(err.Error(), says) || !strings.Contains(err.Error(), "--null") {
			t.Errorf("%v, want an error that says %q\n%s", err, says, out)
		}
	}
}
