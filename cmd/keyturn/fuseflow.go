package main

import (
	"fmt"
	"strings"

	"keyturn/daemon/config"
	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// readFlows is what flows through the fuses in key cycles, whose pairs of leads a document
// nulls.
func readFlows(cycles []*protocol.Cycle, null string, bits int, box *config.Box) (out []judge.SlotFlow, err error) {
	n, err := readCycleFile(null)
	if err != nil {
		return nil, fmt.Errorf("--null %s: %w", null, err)
	}
	for _, y := range cycles {
		flows, err := evidence.FuseFlows(y, n, box, bits)
		if err != nil {
			return nil, fmt.Errorf("--null %s: %w", null, err)
		}
		out = append(out, flows...)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("--null %s: no slot of both has a lead on each side and its fuse in; write side and fuse = \"in\" into the bench file, and measure again", null)
	}
	return out, nil
}

// flowLines tell what flows, below a verdict; empty where that was not asked.
func flowLines(flows []judge.SlotFlow, width int) string {
	if len(flows) == 0 {
		return ""
	}
	var out strings.Builder
	out.WriteString("\n" + report.Wrap("Through the fuses, as two divided leads tell it: amperes, never a quiescent current.", width, "  ") + "\n")
	for i := range flows {
		out.WriteString(report.Wrap(fmt.Sprintf("%s: %s.", flows[i].Slot, report.FuseFlow(&flows[i])), width, "  ") + "\n")
	}
	return out.String()
}

// flowJSON is what flows through the fuse of a slot.
type flowJSON struct {
	Slot     string `json:"slot"`
	Position string `json:"position,omitempty"`
	Text     string `json:"text"`
	Blown    bool   `json:"blown"`
	BackFed  bool   `json:"back_fed"`
	// Flows is absent where it could not be told. The most that flows unseen is DetectsA.
	Flows     *bool    `json:"flows,omitempty"`
	Backwards *bool    `json:"backwards,omitempty"`
	A         *float64 `json:"a,omitempty"`
	LowA      *float64 `json:"low_a,omitempty"`
	HighA     *float64 `json:"high_a,omitempty"`
	DetectsA  *float64 `json:"detects_a,omitempty"`
}

func flowOf(f *judge.SlotFlow) flowJSON {
	out := flowJSON{Slot: f.Slot, Position: f.Position, Text: report.FuseFlow(f), Blown: f.Blown, BackFed: f.BackFed}
	if f.Flow == nil {
		return out
	}
	out.Flows, out.DetectsA = &f.Flow.Flows, &f.Flow.DetectsA
	if f.Flow.Flows {
		out.A, out.LowA, out.HighA = &f.Flow.Current.A, &f.Flow.Current.LowA, &f.Flow.Current.HighA
		if f.SideKnown {
			out.Backwards = &f.Flow.Backwards
		}
	}
	return out
}
