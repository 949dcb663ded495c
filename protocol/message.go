package protocol

import "fmt"

// Message is one row of the topic table.
type Message struct {
	// Name is the topic below the bench's own: "now", "result/cycle". It also
	// names the schema (schemas/result-cycle.json).
	Name     string
	Kind     Kind
	Result   bool // stored and numbered
	Retained bool
	QoS      byte
	About    string // one line for the documentation
}

// Messages returns the topic table.
func Messages() []Message {
	return []Message{
		{"presence", KindPresence, false, true, 1, "online, offline, or cut-off (the will); repeated at every connect"},
		{"bench", KindBench, false, true, 1, "self-description: leads, slots, chips, calibration, intervals, limits"},
		{"now", KindNow, false, true, 1, "key position, each slot's state, each lead's volts"},
		{"waveform", KindWaveform, false, false, 0, "least and greatest voltage of each lead per 50 ms, for screens"},
		{"result/transition", KindTransition, true, false, 1, "a lead went live or dead; provisional"},
		{"result/crank", KindCrank, true, false, 1, "how far a lead fell during a start; provisional"},
		{"result/cycle", KindCycle, true, false, 1, "one turn of the key with everything measured in it; the highest revision wins"},
		{"result/bench", KindBench, true, false, 1, "the self-description, at each change"},
		{"result/bench-fault", KindBenchFault, true, false, 1, "the bench itself has trouble"},
		{"result/gap", KindGap, true, false, 1, "results that were numbered and then lost"},
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
	case "result/bench":
		return &BenchResult{}
	case "result/bench-fault":
		return &BenchFault{}
	case "result/gap":
		return &Gap{}
	}
	return nil
}
