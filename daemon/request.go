package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
	"unicode"

	"keyturn/adc"
	"keyturn/daemon/measure"
	"keyturn/protocol"
)

// This file decides about requests that come over MQTT. None of them can switch
// anything on: they say what a person at the bench would, or ask for what is stored.

const (
	// requestsMax is how many may wait for the core.
	requestsMax = 16
	// answersKept is how many answers are remembered, so that a request that the
	// broker delivers twice is answered twice and done once.
	answersKept = 1000
	// expiryMost is how far ahead a request may expire: within this time it is
	// remembered, so that nobody can have it done again later.
	expiryMost = 10 * time.Minute
)

// request is one as it came.
type request struct {
	verb     string // of its topic, which the broker's access rules are about
	payload  []byte
	retained bool
}

// answers are the latest replies, by who asked and the request's id.
type answers struct {
	of    map[[2]string]*protocol.Reply
	order [][2]string // oldest first
}

func (a *answers) keep(r *protocol.Reply) {
	if a.of == nil {
		a.of = map[[2]string]*protocol.Reply{}
	}
	k := [2]string{r.Client, r.ID}
	if len(a.order) == answersKept {
		delete(a.of, a.order[0])
		a.order = a.order[1:]
	}
	a.of[k], a.order = r, append(a.order, k)
}

// refusal is why a request is not done.
type refusal struct{ code, reason string }

// hear is called by the link. It never waits: what there is no room for is not
// answered, and whoever asked asks again.
func (c *core) hear(verb string, payload []byte, retained bool) {
	select {
	case c.requests <- request{verb, payload, retained}:
	default:
		c.o.Logger.Warn("a request was dropped: too many at once")
	}
}

// answer decides about a request and replies.
func (c *core) answer(ctx context.Context, in request) *protocol.Reply {
	r, no := c.admit(in)
	if r == nil {
		c.o.Logger.Warn("a request that cannot even be answered", "why", no.reason)
		return nil
	}
	if told := c.answers.of[[2]string{r.Client, r.ID}]; told != nil {
		c.ok(c.link.Reply(told))
		return told
	}
	reply := &protocol.Reply{Header: c.t.header(c.now), Client: r.Client, ID: r.ID, Verb: r.Verb, Status: protocol.ReplyDone}
	if no == nil {
		no = c.do(ctx, r, reply)
	}
	if no != nil {
		reply.Status, reply.Code, reply.Reason = protocol.ReplyRefused, protocol.OrNull(no.code), protocol.OrNull(no.reason)
	}
	c.o.Logger.Info("request", "verb", r.Verb, "client", r.Client, "id", r.ID, "status", reply.Status, "reason", string(reply.Reason))
	if reply.Status == protocol.ReplyDone { // what was refused may come again, and crowds out nothing
		c.answers.keep(reply)
	}
	c.ok(c.link.Reply(reply))
	return reply
}

// admit reads a request and checks what holds for every verb. A nil request has no
// address to reply to.
func (c *core) admit(in request) (*protocol.Request, *refusal) {
	d, err := protocol.Decode(in.payload)
	r, ok := d.(*protocol.Request)
	if !ok {
		no := &refusal{protocol.RefusedForm, "not a request"}
		if err != nil {
			no.reason = err.Error()
		}
		return addressOf(in.payload), no
	}
	switch {
	case r.Bench != c.o.Bench:
		return nil, &refusal{protocol.RefusedForm, "it is for another bench"}
	case string(r.Verb) != in.verb:
		return r, &refusal{protocol.RefusedForm, "its verb is not that of its topic"}
	case in.retained:
		return r, &refusal{protocol.RefusedRetained, "the broker had kept it: publish requests without the retain flag"}
	case r.Boot != c.o.Boot:
		return r, &refusal{protocol.RefusedExpired, "the bench has started anew since: ask again"}
	case r.MonoNS < int64(c.began):
		// What was done before the daemon started anew is not remembered.
		return r, &refusal{protocol.RefusedExpired, "the bench has started anew since: ask again"}
	case r.ExpiresNS > int64(c.now.Add(expiryMost)):
		return r, &refusal{protocol.RefusedExpired, fmt.Sprintf("it expires more than %v ahead", expiryMost)}
	case r.ExpiresNS < int64(c.now):
		return r, &refusal{protocol.RefusedExpired, fmt.Sprintf("it expired %.1f s ago", float64(int64(c.now)-r.ExpiresNS)/1e9)}
	}
	return r, nil
}

// addressOf reads who asks from what is no sound request; nil if even that is not
// there.
func addressOf(payload []byte) *protocol.Request {
	r := &protocol.Request{}
	if json.Unmarshal(payload, r) != nil {
		return nil
	}
	for _, id := range []string{r.Client, r.ID, string(r.Verb)} {
		if protocol.CheckID(id) != nil {
			return nil
		}
	}
	return r
}

// do does what is asked, or says why not.
func (c *core) do(ctx context.Context, r *protocol.Request, reply *protocol.Reply) *refusal {
	switch r.Verb {
	case protocol.VerbBegin:
		return c.begin(ctx, r)
	case protocol.VerbClose:
		return c.closeCycle(ctx)
	case protocol.VerbNote:
		return c.note(ctx, r)
	case protocol.VerbReplay:
		return c.replay(r, reply)
	case protocol.VerbIdentify:
		reply.Software = protocol.OrNull(c.benchD.Software)
		return nil
	}
	return &refusal{protocol.RefusedOff, "this bench knows no such request"}
}

func (c *core) begin(ctx context.Context, r *protocol.Request) *refusal {
	if lead := c.keyLead(); lead != measure.NoLead {
		return &refusal{protocol.RefusedOff, "this bench sees the key itself, on " + c.t.lead(lead)}
	}
	if c.moment.cycle != "" {
		return &refusal{protocol.RefusedState, "key cycle " + c.moment.cycle + " is open"}
	}
	if c.keeping.trouble != "" {
		return &refusal{protocol.RefusedState, c.keeping.trouble}
	}
	at := adc.On
	if r.Position == protocol.PositionAccessory {
		at = adc.Accessory
	}
	c.mark(ctx, adc.Mark{Position: at, Source: adc.SourceOperator})
	return nil
}

func (c *core) closeCycle(ctx context.Context) *refusal {
	m := adc.Mark{Source: adc.SourceOperator, End: true}
	switch {
	case c.moment.cycle == "":
		return &refusal{protocol.RefusedState, "no key cycle is open"}
	case c.moment.key == nil || c.moment.key.Position == protocol.PositionOff:
	case c.keyLead() != measure.NoLead:
		return &refusal{protocol.RefusedState, fmt.Sprintf("the key is at %s: turn it off first", c.moment.key.Position)}
	default:
		m.Position = adc.Off
	}
	c.mark(ctx, m)
	return nil
}

func (c *core) note(ctx context.Context, r *protocol.Request) *refusal {
	if c.moment.cycle == "" {
		return &refusal{protocol.RefusedState, "no key cycle is open"}
	}
	if c.moment.notes >= measure.NotesMax {
		return &refusal{protocol.RefusedState, fmt.Sprintf("the cycle has its %d notes", measure.NotesMax)}
	}
	for _, x := range r.Note {
		if unicode.IsControl(x) {
			return &refusal{protocol.RefusedForm, "a note is one line of text"}
		}
	}
	c.mark(ctx, adc.Mark{Source: adc.SourceOperator, Note: r.Note})
	return nil
}

func (c *core) replay(r *protocol.Request, reply *protocol.Reply) *refusal {
	n := c.outbox.Counts()
	from, to := max(r.FromSeq, n.KeptFrom), min(r.ToSeq, n.Last)
	if r.Stream != c.outbox.Stream() {
		return &refusal{protocol.RefusedStream, "the present stream is " + c.outbox.Stream()}
	}
	if from > to {
		return &refusal{protocol.RefusedState, fmt.Sprintf("results %d to %d are kept", n.KeptFrom, n.Last)}
	}
	if !c.link.Replay(from, to) {
		return &refusal{protocol.RefusedBusy, "other results are being sent again: ask later"}
	}
	reply.Count = to - from + 1
	return nil
}

// keyLead is a lead that tells the key, NoLead where none does.
func (c *core) keyLead() int {
	k := &c.o.Params.Key
	for _, l := range []int{k.On, k.Accessory, k.IgnitionSlot} {
		if l != measure.NoLead {
			return l
		}
	}
	return measure.NoLead
}

// mark gives the core what somebody says, at the moment of the inputs.
func (c *core) mark(ctx context.Context, m adc.Mark) {
	c.take(ctx, adc.Input{Kind: adc.MarkInput, At: c.now, Mark: m})
}
