package protocol

import "fmt"

// Message is one row of the topic table.
type Message struct {
	// Name is the topic below the bench's own: "now", "result/cycle". A level in
	// braces stands for an id of the document: "stored/{keeper}". It also names the
	// schema, braces left out (schemas/result-cycle.json, schemas/stored.json).
	Name     string
	Kind     Kind
	Result   bool // stored and numbered
	Retained bool
	QoS      byte
	Inward   bool   // published by others, for the bench to read
	About    string // one line for the documentation
}

// Messages returns the topic table.
func Messages() []Message {
	return []Message{
		{"presence", KindPresence, false, true, 1, false, "online, offline, or cut-off (the will); repeated at every connect"},
		{"bench", KindBench, false, true, 1, false, "self-description: leads, slots, chips, calibration, intervals, limits"},
		{"now", KindNow, false, true, 1, false, "key position, each slot's state, each lead's volts"},
		{"waveform", KindWaveform, false, false, 0, false, "least and greatest voltage of each lead per 50 ms, for screens"},
		{"result/transition", KindTransition, true, false, 1, false, "a lead went live or dead; provisional"},
		{"result/crank", KindCrank, true, false, 1, false, "how far a lead fell during a start; provisional"},
		{"result/cycle", KindCycle, true, false, 1, false, "one turn of the key with everything measured in it; the highest revision wins"},
		{"result/verdict", KindVerdict, true, false, 1, false, "what the test of a fuse box says of it so far, and which round comes next; the highest revision wins"},
		{"result/bench", KindBench, true, false, 1, false, "the self-description, at each change"},
		{"result/bench-fault", KindBenchFault, true, false, 1, false, "the bench itself has trouble"},
		{"result/clock", KindClock, true, false, 1, false, "the wall clock was set or jumped; no result moves"},
		{"result/gap", KindGap, true, false, 1, false, "results that were numbered and then lost"},
		{"stored/{keeper}", KindReceipt, false, false, 1, true, "a record keeper's receipt: everything up to a number is stored"},
		{"marks/{keeper}", KindMarks, false, false, 1, false, "what a record keeper's server gave for an answer sheet; it names nobody"},
		{"request/{verb}", KindRequest, false, false, 1, true, "what somebody wants of the bench; refused unless enabled"},
		{"reply/{client}/{id}", KindReply, false, false, 1, false, "what became of a request"},
	}
}

// MessageOf returns the row of the topic table that a document belongs to.
func MessageOf(d Document) Message {
	_, result := d.(Result)
	m, err := messageFor(d.kind(), result)
	if err != nil {
		panic("protocol: document without a row in the topic table: " + string(d.kind()))
	}
	return m
}

func messageFor(k Kind, result bool) (Message, error) {
	for _, m := range Messages() {
		if m.Kind == k && m.Result == result {
			return m, nil
		}
	}
	return Message{}, fmt.Errorf("%w: %q", ErrKind, clip(string(k)))
}

// empty returns an empty document of the row.
func (m Message) empty() Document {
	switch m.Name {
	case "presence":
		return &Presence{}
	case "bench":
		return &Bench{}
	case "now":
		return &Now{}
	case "waveform":
		return &Waveform{}
	case "result/transition":
		return &TransitionResult{}
	case "result/crank":
		return &CrankResult{}
	case "result/cycle":
		return &Cycle{}
	case "result/verdict":
		return &Verdict{}
	case "result/bench":
		return &BenchResult{}
	case "result/bench-fault":
		return &BenchFault{}
	case "result/clock":
		return &Clock{}
	case "result/gap":
		return &Gap{}
	case "stored/{keeper}":
		return &Receipt{}
	case "marks/{keeper}":
		return &Marks{}
	case "request/{verb}":
		return &Request{}
	case "reply/{client}/{id}":
		return &Reply{}
	}
	return nil
}
