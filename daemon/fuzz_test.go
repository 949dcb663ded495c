package daemon

import (
	"bytes"
	"testing"
	"time"

	"keyturn/protocol"
)

// Whatever comes as a request is answered or dropped. Only what is sound, fresh, for
// this boot and not retained can begin a key cycle.
func FuzzRequest(f *testing.F) {
	for _, r := range []*protocol.Request{
		{Verb: protocol.VerbBegin, Client: "tablet", ID: "a", ExpiresNS: 60e9, Position: protocol.PositionOn},
		{Verb: protocol.VerbClose, Client: "tablet", ID: "b", ExpiresNS: 60e9},
		{Verb: protocol.VerbNote, Client: "tablet", ID: "c", ExpiresNS: 60e9, Note: "heater on"},
		{Verb: protocol.VerbReplay, Client: "records", ID: "d", ExpiresNS: 60e9, Stream: "s", FromSeq: 1, ToSeq: 1 << 60},
		{Verb: protocol.VerbIdentify, Client: "tablet", ID: "e", ExpiresNS: 1},
		{Verb: "explode", Client: "tablet", ID: "f", ExpiresNS: 60e9},
	} {
		r.Header = protocol.Header{Bench: "b", Boot: "0123abcd", MonoNS: 2e9}
		payload, err := protocol.Encode(r)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(r.Verb), payload, false)
		f.Add(string(r.Verb), payload, true)
		f.Add("note", bytes.Replace(payload, []byte(`"client":"tablet"`), []byte(`"client":"a/#"`), 1), false)
	}
	f.Add("begin", []byte(`{"client":"x","id":"y","verb":"begin"}`), false)
	f.Fuzz(func(t *testing.T, verb string, payload []byte, retained bool) {
		c, _ := coreOf(t, nil)
		at := feedFor(c, 1e9, 100*time.Millisecond, 0)
		c.answer(t.Context(), request{verb, payload, retained})
		c.answer(t.Context(), request{verb, payload, retained})
		feedFor(c, at, 300*time.Millisecond, 0)
		if len(c.answers.of) > 1 {
			t.Errorf("%d answers to one request", len(c.answers.of))
		}
		for _, r := range c.answers.of { // at most one
			if _, err := protocol.Encode(r); err != nil {
				t.Errorf("a reply that cannot be sent: %v", err)
			}
		}
		if c.moment.cycle == "" {
			return
		}
		d, err := protocol.Decode(payload)
		r, ok := d.(*protocol.Request)
		if err != nil || !ok || retained || string(r.Verb) != verb || r.Verb != protocol.VerbBegin || r.Bench != "b" || r.Boot != "0123abcd" || r.ExpiresNS < 1e9 {
			t.Errorf("%q under %q, retained %t, began a key cycle: %v", payload, verb, retained, err)
		}
	})
}
