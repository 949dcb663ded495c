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
	stream string
	seq    int64
}

// ReplayOptions shapes a Replay.
type ReplayOptions struct {
	Bench       string
	Params      measure.Params // must have been checked
	Description protocol.Description
	Cylinders   int // of the engine; 0: not known
	// Boot names the clock and Stream the numbering. Empty: those of a replay, which is of
	// no boot.
	Boot, Stream string
}

// NewReplay returns a replay of a bench.
func NewReplay(o ReplayOptions) (*Replay, error) {
	rev, err := o.Description.Revision()
	if err != nil {
		return nil, fmt.Errorf("describe bench %s: %w", o.Bench, err)
	}
	if o.Boot == "" {
		o.Boot = "00000000"
	}
	if o.Stream == "" {
		o.Stream = "replay"
	}
	r := &Replay{engine: measure.New(o.Params), stream: o.Stream,
		t: newTranslator(&Options{Bench: o.Bench, Boot: o.Boot, Params: o.Params, Description: o.Description, Cylinders: o.Cylinders})}
	r.t.benchRev = rev
	r.moment = newMoment(r.t)
	return r, nil
}

// Describe returns the bench's description as the next result; a bench says it first.
func (r *Replay) Describe(at adc.Instant, d protocol.Description) *protocol.BenchResult {
	b := &protocol.BenchResult{ResultHeader: r.t.result(at), Description: d}
	r.number(b)
	return b
}

func (r *Replay) number(d protocol.Result) {
	r.seq++
	d.ResultHead().Stream, d.ResultHead().Seq = r.stream, r.seq
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
			docs = append(docs, r.moment.now(r.now, protocol.AsOf{Stream: r.stream, Seq: r.seq, KeptFromSeq: r.seq + 1}))
		}
		if d := r.t.translate(r.now, ev); d != nil {
			r.number(d)
			docs = append(docs, d)
		}
	}
	return docs
}
