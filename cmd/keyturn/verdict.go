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
	Documents []string `arg:"" name:"file" help:"Key cycle documents of one box as JSON, in any order: the rounds of its test." type:"existingfile"`
	Box       string   `help:"The box file: what each slot should do." required:"" type:"existingfile" placeholder:"FILE"`
	LeaveOut  []string `help:"What not to test: contact (resistance and strength), sides (feed side and back-feed), start (fall while cranking). The verdict says so." enum:"contact,sides,start" placeholder:"CHECK"`
	Absent    bool     `name:"airbag-units-absent" help:"Somebody saw that no airbag unit and no belt tensioner is connected; not on a vehicle."`
	Pass      float64  `name:"contact-pass-mohm" help:"The most that a good contact has." default:"30"`
	Fail      float64  `name:"contact-fail-mohm" help:"Above it a contact fails." default:"60"`
	Above     float64  `name:"contact-above-mohm" help:"So much above matching slots a contact fails." default:"20"`
	Probe     float64  `name:"probe-mohm" help:"The most that the contact of a probe has, where the load's current flows through it." default:"50"`
	OnWithin  float64  `name:"on-within-s" help:"The most from the key's move until a slot that follows it is live." default:"0.1"`
	Fall      float64  `name:"fall-v" help:"The most that a slot falls further than the battery while cranking." default:"1"`
	JSON      bool     `name:"json" help:"Write it as JSON."`
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
	if c.JSON {
		return writeVerdict(w, &b)
	}
	_, err = io.WriteString(w, b.Table(width))
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

func (c *verdict) limits() (judge.Limits, error) {
	l := judge.Limits{ContactPassMOhm: c.Pass, ContactFailMOhm: c.Fail, ContactAboveMOhm: c.Above, ProbeMOhm: c.Probe, OnWithinS: c.OnWithin, FallV: c.Fall}
	for _, x := range []struct {
		flag string
		v    float64
	}{{"contact-pass-mohm", c.Pass}, {"contact-above-mohm", c.Above}, {"probe-mohm", c.Probe}, {"on-within-s", c.OnWithin}, {"fall-v", c.Fall}} {
		if !(x.v >= 0 && x.v <= 1e6) {
			return l, fmt.Errorf("--%s %g: want a figure from 0 to 1e6", x.flag, x.v)
		}
	}
	if !(c.Fail >= c.Pass && c.Fail <= 1e6) {
		return l, fmt.Errorf("--contact-fail-mohm %g: want a figure from --contact-pass-mohm, %g, to 1e6", c.Fail, c.Pass)
	}
	for _, x := range c.LeaveOut {
		l.LeftOut = append(l.LeftOut, judge.Check(x))
	}
	return l, nil
}

// The verdict as JSON: man keyturn tells its members.
type (
	verdictJSON struct {
		Box        string         `json:"box"`
		Outcome    string         `json:"outcome"`
		OfTested   string         `json:"of_tested"`
		Tested     map[string]int `json:"tested"` // slots by outcome
		Untested   int            `json:"untested"`
		LeftOut    []judge.Check  `json:"left_out"`
		NotVisited []string       `json:"not_visited"`
		Slots      []slotJSON     `json:"slots"`
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
		Behaviour judge.Behaviour  `json:"behaviour,omitempty"`
		Position  string           `json:"position,omitempty"`
		Side      string           `json:"side,omitempty"`
		Other     string           `json:"other,omitempty"`
	}
)

func writeVerdict(w io.Writer, b *report.BoxVerdict) error {
	out := verdictJSON{Box: b.Box, Outcome: b.Outcome.String(), OfTested: b.OfTested.String(), Tested: map[string]int{}, Untested: b.Untested,
		LeftOut: append([]judge.Check{}, b.LeftOut...), NotVisited: append([]string{}, b.NotVisited...), Slots: []slotJSON{}}
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
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(out)
}

func reasonOf(r *judge.VerdictReason) reasonJSON {
	out := reasonJSON{Reason: r.Code, Makes: r.Makes.String(), Text: report.VerdictReason(r), Unit: report.VerdictUnit(r.Code),
		Behaviour: r.Behaviour, Position: r.Position, Side: r.Side, Other: r.Other}
	if out.Unit != "" {
		out.Value, out.U, out.Limit = &r.Value, &r.U, &r.Limit
	}
	return out
}
