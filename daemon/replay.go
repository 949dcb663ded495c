package daemon

import (
	"fmt"

	"keyturn/adc"
	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// Replay measures recorded inputs with the code that measures live, without
// broker, queue or waiting: inputs in, documents out.
type Replay struct {
	engine *measure.Engine
	t      *translator
	moment *moment
	now    adc.Instant
	seq    int64
}

// replayBoot names the clock of a replay: it is of no boot.
const replayBoot = "00000000"

// NewReplay returns a replay of a bench. The parameters must have been checked.
func NewReplay(bench string, p measure.Params, d protocol.Description) (*Replay, error) {
	rev, err := d.Revision()
	if err != nil {
		return nil, fmt.Errorf("describe bench %s: %w", bench, err)
	}
	r := &Replay{engine: measure.New(p), t: newTranslator(&Options{Bench: bench, Boot: replayBoot, Params: p, Description: d})}
	r.t.benchRev = rev
	r.moment = newMoment(r.t)
	return r, nil
}

// Step takes one input and returns the documents that follow from it: results,
// and "now" at each move of the key.
func (r *Replay) Step(in adc.Input) []protocol.Document {
	r.now = max(r.now, in.At)
	if in.Kind == adc.SampleInput {
		r.moment.sample(&in.Sample)
	}
	return r.documents(r.engine.Step(in))
}

// Flush returns what is to be said at the end.
func (r *Replay) Flush() []protocol.Document { return r.documents(r.engine.Flush()) }

func (r *Replay) documents(events []measure.Event) (docs []protocol.Document) {
	for _, ev := range events {
		r.moment.event(ev)
		if _, moved := ev.(*measure.KeyMoved); moved {
			docs = append(docs, r.moment.now(r.now, protocol.AsOf{Stream: "replay", Seq: r.seq, KeptFromSeq: r.seq + 1}))
		}
		if d := r.t.translate(r.now, ev); d != nil {
			r.seq++
			d.ResultHead().Stream, d.ResultHead().Seq = "replay", r.seq
			docs = append(docs, d)
		}
	}
	return docs
}
