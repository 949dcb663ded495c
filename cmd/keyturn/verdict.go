package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"

	"keyturn/daemon/evidence"
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// verdict judges a fuse box.
type verdict struct {
	Documents  []string `arg:"" name:"file" help:"Key cycle documents of one box as JSON, in any order: the rounds of its test." type:"existingfile"`
	Box        string   `help:"The box file: what each slot should do." required:"" type:"existingfile" placeholder:"FILE"`
	Absent     bool     `name:"airbag-units-absent" help:"Somebody saw that no airbag unit and no belt tensioner is connected; not on a vehicle."`
	limitFlags `embed:""`
	Null       string `help:"A key cycle document of the same pairs of leads with the fuses in and no current: what flows through the fuses is told." type:"existingfile" placeholder:"FILE"`
	Bits       int    `name:"null-bits" help:"Bits of the converters of those leads: 16 or 12." enum:"16,12" default:"16"`
	JSON       bool   `name:"json" help:"Write it as JSON."`
}

// Run prints the verdict.
func (c *verdict) Run() error {
	return c.print(os.Stdout, terminalWidth(os.Stdout))
}

func (c *verdict) print(w io.Writer, width int) error {
	limits, err := c.limits()
	if err != nil {
		return err
	}
	box, err := finishedBox(c.Box, "what each slot should do")
	if err != nil {
		return err
	}
	cycles, err := c.read()
	if err != nil {
		return err
	}
	slots, err := evidence.BoxSlots(cycles, &box, c.Absent)
	if err != nil {
		return err
	}
	b := report.BoxVerdict{BoxVerdict: judge.JudgeBox(limits, slots), Box: box.ID, Title: box.Title, Legends: map[string]string{}}
	for i := range box.Slots {
		b.Legends[box.Slots[i].ID] = box.Slots[i].Legend
	}
	var flows []judge.SlotFlow
	if c.Null != "" {
		if flows, err = readFlows(cycles, c.Null, c.Bits, &box); err != nil {
			return err
		}
	}
	if c.JSON {
		return writeVerdict(w, &b, flows)
	}
	_, err = io.WriteString(w, b.Table(width)+flowLines(flows, width))
	return err
}

func (c *verdict) read() ([]*protocol.Cycle, error) {
	var out []*protocol.Cycle
	for _, name := range c.Documents {
		y, err := readCycleFile(name)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		out = append(out, y)
	}
	return out, nil
}

// The verdict as JSON: man keyturn tells its members.
type (
	verdictJSON struct {
		Box      string         `json:"box"`
		Outcome  string         `json:"outcome"`
		OfTested string         `json:"of_tested"`
		Tested   map[string]int `json:"tested"` // slots by outcome
		Untested int            `json:"untested"`
		// Limits are what slots were held to where the box file says nothing.
		Limits     *protocol.VerdictLimits `json:"limits"`
		LeftOut    []judge.Check           `json:"left_out"`
		NotVisited []string                `json:"not_visited"`
		Slots      []slotJSON              `json:"slots"`
		FuseFlows  []flowJSON              `json:"fuse_flows,omitempty"` // with --null
	}
	slotJSON struct {
		Slot    string       `json:"slot"`
		Legend  string       `json:"legend"`
		Outcome string       `json:"outcome"`
		Reasons []reasonJSON `json:"reasons"`
	}
	reasonJSON struct {
		Reason    judge.ReasonCode `json:"reason"`
		Makes     string           `json:"makes"`
		Text      string           `json:"text"`
		Value     *float64         `json:"value,omitempty"`
		U         *float64         `json:"u,omitempty"` // standard uncertainty (k = 1)
		Limit     *float64         `json:"limit,omitempty"`
		Unit      string           `json:"unit,omitempty"`
		Bound     judge.Bound      `json:"bound,omitempty"`
		Behaviour judge.Behaviour  `json:"behaviour,omitempty"`
		Position  string           `json:"position,omitempty"`
		Side      string           `json:"side,omitempty"`
		Other     string           `json:"other,omitempty"`
	}
)

func writeVerdict(w io.Writer, b *report.BoxVerdict, flows []judge.SlotFlow) error {
	out := verdictJSON{Box: b.Box, Outcome: b.Outcome.String(), OfTested: b.OfTested.String(), Tested: map[string]int{}, Untested: b.Untested,
		Limits: evidence.LimitsDocument(b.Limits), LeftOut: append([]judge.Check{}, b.LeftOut...), NotVisited: append([]string{}, b.NotVisited...), Slots: []slotJSON{}}
	for o, n := range b.Count {
		out.Tested[judge.Outcome(o).String()] = n
	}
	for i := range b.Slots {
		v := &b.Slots[i]
		s := slotJSON{Slot: v.Slot, Legend: b.Legends[v.Slot], Outcome: v.Outcome.String()}
		for k := range v.Reasons {
			s.Reasons = append(s.Reasons, reasonOf(&v.Reasons[k]))
		}
		out.Slots = append(out.Slots, s)
	}
	for i := range flows {
		out.FuseFlows = append(out.FuseFlows, flowOf(&flows[i]))
	}
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(out)
}

func reasonOf(r *judge.VerdictReason) reasonJSON {
	out := reasonJSON{Reason: r.Code, Makes: r.Makes.String(), Text: report.VerdictReason(r), Unit: report.VerdictUnit(r.Code),
		Behaviour: r.Behaviour, Position: r.Position, Side: r.Side, Other: r.Other}
	if out.Unit != "" {
		out.Value, out.U, out.Limit, out.Bound = &r.Value, &r.U, &r.Limit, r.Bound
	}
	return out
}
