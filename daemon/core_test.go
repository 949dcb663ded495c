package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/daemon/link"
	"keyturn/daemon/measure"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// box is an outbox whose trouble a test makes.
type box struct {
	*outbox.Memory
	trouble string
}

func (b *box) Counts() outbox.Counts {
	c := b.Memory.Counts()
	c.Trouble = b.trouble
	return c
}

// coreOf is a core of two leads on one chip, fed by hand: the battery sense lead, and
// a slot that is known to be ignition-switched.
func coreOf(t *testing.T, change func(*Options)) (*core, *box) {
	t.Helper()
	lead := func(name string, input int) adc.Lead {
		return adc.Lead{Name: name, Chip: "adc-1", Input: input, Tau: time.Millisecond, TauFloating: time.Millisecond, UTau: 0.01, UTauFloating: 0.01,
			Calibration: adc.Calibration{Gain: 10}}
	}
	p := measure.Params{Leads: []adc.Lead{lead("sense", 0), lead("l-1", 1)}, BatterySense: 0, Key: measure.NoKeySense(), WatchFor: time.Minute,
		Slots: []measure.Slot{{Name: "f1", Leads: []measure.SlotLead{{Lead: 1}}}}}
	b := &box{Memory: outbox.NewMemory(outbox.MemoryOptions{Stream: "s"})}
	o := &Options{Bench: "b", Root: "keyturn", Broker: link.Broker{URL: "tcp://127.0.0.1:1", ClientID: "c"}, Boot: "0123abcd", Params: p,
		Description: protocol.Description{Software: "test 1", Subject: protocol.OffVehicle}, Outbox: b}
	if change != nil {
		change(o)
	}
	o.Logger = slog.New(slog.DiscardHandler)
	c, err := newCore(o)
	if err != nil {
		t.Fatal(err)
	}
	return c, b
}

// feedFor gives the core steady samples and ticks: the battery at 12 V, the slot at
// slotV.
func feedFor(c *core, from adc.Instant, during time.Duration, slotV float64) adc.Instant {
	const every = 5 * time.Millisecond
	at := from
	for ; at < from.Add(during); at = at.Add(every) {
		for i, v := range []float64{12, slotV} {
			to := at.Add(time.Duration(i) * time.Millisecond)
			s := adc.Sample{Lead: i, From: to.Add(-time.Millisecond), To: to, FullScaleUV: 4096000, Code: int16(v / 10 * 32768 / 4.096), StampErr: 1000, StampU: 1000, NoiseV: 1e-4}
			c.take(context.Background(), adc.Input{Kind: adc.SampleInput, At: to, Sample: s})
		}
		if at/1e8 != at.Add(every)/1e8 {
			c.take(context.Background(), adc.Input{Kind: adc.TickInput, At: at.Add(2 * time.Millisecond)})
		}
	}
	return at
}

// resultsOf returns the results of a kind that an outbox holds.
func resultsOf[T protocol.Result](t *testing.T, b *box) (out []T) {
	t.Helper()
	for _, e := range b.Next(0, 10000) {
		d, err := protocol.Decode(e.Payload)
		if err != nil {
			t.Fatal(err)
		}
		if x, ok := d.(T); ok {
			out = append(out, x)
		}
	}
	return out
}

// ask makes the core answer a request, and returns the reply.
func ask(t *testing.T, c *core, r *protocol.Request, retained bool) *protocol.Reply {
	t.Helper()
	r.Header = protocol.Header{Bench: "b", Boot: "0123abcd", MonoNS: int64(c.now)}
	if r.ExpiresNS == 0 {
		r.ExpiresNS = int64(c.now.Add(time.Minute))
	}
	payload, err := protocol.Encode(r)
	if err != nil {
		t.Fatal(err)
	}
	return c.answer(context.Background(), request{string(r.Verb), payload, retained})
}

// A whole key cycle by requests, on a bench that sees no key: begun, noted, closed.
func TestRequestsTurnNoKeyButSayWhereItIs(t *testing.T) {
	c, b := coreOf(t, nil)
	at := feedFor(c, 1e9, 3*time.Second, 0)
	n := 0
	want := func(verb protocol.Verb, code string, change func(*protocol.Request)) *protocol.Reply {
		t.Helper()
		n++
		r := &protocol.Request{Verb: verb, Client: "tablet", ID: fmt.Sprintf("r-%d", n)}
		if change != nil {
			change(r)
		}
		reply := ask(t, c, r, false)
		if reply == nil || string(reply.Code) != code || (reply.Status == protocol.ReplyDone) != (code == "") {
			t.Errorf("%s: %+v, want %q", verb, reply, code)
		}
		return reply
	}
	on := func(r *protocol.Request) { r.Position = protocol.PositionOn }
	note := func(r *protocol.Request) { r.Note = "heater on" }
	want(protocol.VerbClose, protocol.RefusedState, nil)
	want(protocol.VerbNote, protocol.RefusedState, note)
	want(protocol.VerbBegin, "", on)
	at = feedFor(c, at, 2*time.Second, 12)
	want(protocol.VerbBegin, protocol.RefusedState, on)
	want(protocol.VerbNote, "", note)
	want(protocol.VerbNote, protocol.RefusedForm, func(r *protocol.Request) { r.Note = "two\nlines" })
	at = feedFor(c, at, time.Second, 12)
	want(protocol.VerbClose, "", nil)
	at = feedFor(c, at, time.Second, 12)
	cycles := resultsOf[*protocol.Cycle](t, b)
	last := cycles[len(cycles)-1]
	if !last.Final || last.Ended != protocol.EndedWatch || len(last.Notes) != 1 || last.Notes[0].Text != "heater on" || last.Key[0].Source != protocol.SourceOperator {
		t.Errorf("the cycle is %+v", last)
	}
	replay := func(r *protocol.Request) { r.Stream, r.FromSeq, r.ToSeq = "s", 1, 99 }
	if r := want(protocol.VerbReplay, "", replay); r.Count != b.Memory.Counts().Last {
		t.Errorf("%d results are sent again, of %d", r.Count, b.Memory.Counts().Last)
	}
	want(protocol.VerbReplay, protocol.RefusedStream, func(r *protocol.Request) { replay(r); r.Stream = "other" })
	want(protocol.VerbReplay, protocol.RefusedState, func(r *protocol.Request) { r.Stream, r.FromSeq, r.ToSeq = "s", 9000, 9001 })
	if r := want(protocol.VerbIdentify, "", nil); r.Software != "test 1" {
		t.Errorf("it identifies itself as %q", r.Software)
	}
	want("explode", protocol.RefusedOff, nil)
	_ = at
}

// What is late, kept by the broker, for another boot or of no form is not done; what
// comes twice is done once.
func TestRequestsThatAreNotDone(t *testing.T) {
	c, b := coreOf(t, nil)
	feedFor(c, 1e9, time.Second, 0)
	begin := func(id string) *protocol.Request {
		return &protocol.Request{Verb: protocol.VerbBegin, Client: "tablet", ID: id, Position: protocol.PositionOn}
	}
	if r := ask(t, c, begin("kept"), true); r.Code != protocol.RefusedRetained {
		t.Errorf("retained: %+v", r)
	}
	late := begin("late")
	late.ExpiresNS = int64(c.now) - 1
	if r := ask(t, c, late, false); r.Code != protocol.RefusedExpired {
		t.Errorf("late: %+v", r)
	}
	other := begin("boot")
	other.Header, other.ExpiresNS = protocol.Header{Bench: "b", Boot: "ffff0000"}, 1<<60
	payload, err := protocol.Encode(other)
	if err != nil {
		t.Fatal(err)
	}
	if r := c.answer(t.Context(), request{verb: "begin", payload: payload}); r == nil || r.Code != protocol.RefusedExpired {
		t.Errorf("of another boot: %+v", r)
	}
	if r := c.answer(t.Context(), request{payload: []byte(`{"version":"keyturn/1","kind":"request","bench":"b","boot":"0123abcd","mono_ns":1,"verb":"begin","client":"tablet","id":"form"}`)}); r == nil || r.Code != protocol.RefusedForm {
		t.Errorf("without members: %+v", r)
	}
	for _, text := range []string{"", "{", "[]", `{"client":"a/b","id":"x","verb":"begin"}`, strings.Repeat("x", 1000)} {
		if r := c.answer(t.Context(), request{payload: []byte(text)}); r != nil { // nobody to reply to
			t.Errorf("%q is answered with %+v", text, r)
		}
	}
	early := begin("early")
	early.Header, early.ExpiresNS = protocol.Header{Bench: "b", Boot: "0123abcd", MonoNS: 1}, int64(c.now.Add(time.Minute))
	if payload, err = protocol.Encode(early); err != nil {
		t.Fatal(err)
	}
	if r := c.answer(t.Context(), request{verb: "begin", payload: payload}); r == nil || r.Code != protocol.RefusedExpired {
		t.Errorf("from before the daemon's start: %+v", r)
	}
	far := begin("far")
	far.ExpiresNS = int64(c.now.Add(time.Hour))
	if r := ask(t, c, far, false); r.Code != protocol.RefusedExpired {
		t.Errorf("that expires in an hour: %+v", r)
	}
	other = begin("verb")
	other.Header, other.ExpiresNS = protocol.Header{Bench: "b", Boot: "0123abcd", MonoNS: int64(c.now)}, int64(c.now.Add(time.Minute))
	if payload, err = protocol.Encode(other); err != nil {
		t.Fatal(err)
	}
	if r := c.answer(t.Context(), request{verb: "identify", payload: payload}); r == nil || r.Code != protocol.RefusedForm {
		t.Errorf("under the topic of another verb: %+v", r)
	}
	if len(c.answers.of) != 0 {
		t.Errorf("%d refusals are remembered", len(c.answers.of))
	}
	if n := len(resultsOf[*protocol.Cycle](t, b)); n != 0 || c.moment.cycle != "" {
		t.Errorf("a refused request began a cycle: %d documents", n)
	}
	first := ask(t, c, begin("once"), false)
	feedFor(c, c.now.Add(time.Millisecond), time.Second, 12)
	if again := ask(t, c, begin("once"), false); again != first || first.Status != protocol.ReplyDone {
		t.Errorf("the second time: %+v, the first %+v", again, first)
	}
	if n := c.answers.order; len(n) != 1 {
		t.Errorf("%d answers are remembered, want 1", len(n))
	}
	for i := range 2 * answersKept {
		c.answers.keep(&protocol.Reply{Client: "x", ID: fmt.Sprint(i)})
	}
	if len(c.answers.of) != answersKept || len(c.answers.order) != answersKept {
		t.Errorf("%d answers are remembered, want %d", len(c.answers.of), answersKept)
	}
}

// A bench that sees the key is not told where it is.
func TestKeyThatIsSeenIsNotTold(t *testing.T) {
	c, _ := coreOf(t, func(o *Options) { o.Params.Key.IgnitionSlot = 1 })
	at := feedFor(c, 1e9, time.Second, 0)
	r := &protocol.Request{Verb: protocol.VerbBegin, Client: "tablet", ID: "a", Position: protocol.PositionOn}
	if reply := ask(t, c, r, false); reply.Code != protocol.RefusedOff || !strings.Contains(string(reply.Reason), "l-1") {
		t.Errorf("%+v", reply)
	}
	at = feedFor(c, at, 2*time.Second, 12)
	if c.moment.cycle == "" {
		t.Fatal("the ignition slot began no cycle")
	}
	if reply := ask(t, c, &protocol.Request{Verb: protocol.VerbClose, Client: "tablet", ID: "b"}, false); reply.Code != protocol.RefusedState {
		t.Errorf("closed while the key is on: %+v", reply)
	}
	_ = at
}

// While results cannot be kept no key cycle is taken, and that is said; one that is
// open is kept to its end.
func TestCyclesAreRefusedWhileNothingCanBeKept(t *testing.T) {
	c, b := coreOf(t, func(o *Options) { o.Params.Key.IgnitionSlot = 1; o.Params.WatchFor = 3 * time.Second })
	at := feedFor(c, 1e9, 2*time.Second, 0)
	at = feedFor(c, at, 2*time.Second, 12) // the first cycle is open
	b.trouble = "the store is full"
	at = feedFor(c, at, 2*time.Second, 12)
	at = feedFor(c, at, 6*time.Second, 0) // and ends
	cycles := resultsOf[*protocol.Cycle](t, b)
	if last := cycles[len(cycles)-1]; !last.Final {
		t.Errorf("the open cycle was not kept to its end: revision %d", last.Revision)
	}
	first, n := cycles[0].ID, b.Memory.Counts().Last
	at = feedFor(c, at, 2*time.Second, 12) // the second begins
	if now := c.moment.now(c.now, c.asOf()); now.Refusing != "the store is full" {
		t.Errorf("now says refusing %q", now.Refusing)
	}
	b.trouble = ""
	at = feedFor(c, at, 2*time.Second, 12)
	if now := c.moment.now(c.now, c.asOf()); now.Refusing == "" {
		t.Error("now does not say that the open cycle is refused")
	}
	at = feedFor(c, at, 6*time.Second, 0)
	at = feedFor(c, at, 2*time.Second, 12) // the third
	faults := resultsOf[*protocol.BenchFault](t, b)
	if i := slices.IndexFunc(faults, func(f *protocol.BenchFault) bool { return strings.Contains(f.Reason, "refused") }); i < 0 || faults[i].Count < 3 {
		t.Errorf("nothing says what was let go: %+v", faults)
	}
	ids := map[string]bool{}
	for _, y := range resultsOf[*protocol.Cycle](t, b) {
		ids[y.ID] = true
	}
	if len(ids) != 2 || !ids[first] || b.Memory.Counts().Last <= n {
		t.Errorf("cycles kept: %v, want the first and the third", ids)
	}
	_ = at
}

// The wall clock is set, jumps an hour forth and back and ten years: each is told, and
// no instant of a result moves by it.
func TestWallClockSteps(t *testing.T) {
	wall, known := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), false
	run := func(steps bool) (clocks []*protocol.Clock, instants []int64) {
		c, b := coreOf(t, func(o *Options) {
			o.Params.Key.IgnitionSlot = 1
			o.Wall = func(at adc.Instant) (time.Time, time.Duration, bool) {
				return wall.Add(time.Duration(at)), 20 * time.Millisecond, known
			}
		})
		at := feedFor(c, 1e9, 2*time.Second, 0)
		for i, step := range []time.Duration{0, time.Hour, -time.Hour, 10 * 365 * 24 * time.Hour} {
			if steps {
				wall, known = wall.Add(step), true
			}
			at = feedFor(c, at, 3*time.Second, 12*float64((i+1)%2))
		}
		for _, r := range resultsOf[*protocol.TransitionResult](t, b) {
			instants = append(instants, r.AtNS, r.NotBeforeNS, r.NotAfterNS)
		}
		return resultsOf[*protocol.Clock](t, b), instants
	}
	none, still := run(false)
	if len(none) != 0 {
		t.Errorf("a clock that is not known: %+v", none)
	}
	clocks, moved := run(true)
	if !slices.Equal(still, moved) || len(still) < 6 {
		t.Errorf("instants %v, with steps %v", still, moved)
	}
	want := []float64{0, 3.6e6, -3.6e6, 10 * 365 * 24 * 3.6e6}
	if len(clocks) != len(want) {
		t.Fatalf("%d clock documents, want %d: %+v", len(clocks), len(want), clocks)
	}
	for i, d := range clocks {
		if !d.Known || (i == 0) != (d.StepMS == nil) || i > 0 && float64(*d.StepMS) != want[i] {
			t.Errorf("clock document %d: %+v", i, d)
		}
	}
}

// However often a chip fails in a storm, one document tells it, with the count.
func TestAStormIsOneDocument(t *testing.T) {
	c, b := coreOf(t, nil)
	at := feedFor(c, 1e9, 3*time.Second, 0)
	for range 40 {
		at = at.Add(10 * time.Millisecond)
		for lead := range 2 {
			c.take(t.Context(), adc.Input{Kind: adc.BlindInput, At: at, Blind: adc.Blind{Lead: lead, Since: at.Add(-time.Millisecond), Reason: adc.NoAnswer}})
		}
		at = feedFor(c, at.Add(time.Millisecond), 20*time.Millisecond, 0)
	}
	feedFor(c, at.Add(time.Millisecond), 5*time.Second, 0)
	ofSense := func(f *protocol.BenchFault) bool { return f.Lead == "sense" }
	faults := resultsOf[*protocol.BenchFault](t, b)
	if lost := slices.DeleteFunc(slices.Clone(faults), func(f *protocol.BenchFault) bool { return !ofSense(f) }); len(lost) > 2 {
		t.Errorf("%d documents of the lost battery sense lead", len(lost))
	}
	faults = slices.DeleteFunc(faults, ofSense)
	if len(faults) != 1 || faults[0].Count != 40 || faults[0].Chip != "adc-1" || faults[0].Reason != adc.NoAnswer.String() {
		t.Errorf("%d documents", len(faults))
		for _, f := range faults[:min(len(faults), 3)] {
			t.Errorf("%+v", f)
		}
	}
}

// A lamp that flashes all through a long key cycle makes neither a result that nobody
// can carry nor a store full of revisions, and the cycle becomes final.
func TestAFlasherFloodsNothing(t *testing.T) {
	c, b := coreOf(t, nil)
	feedFor(c, 1e9, 3*time.Second, 0)
	ask(t, c, &protocol.Request{Verb: protocol.VerbBegin, Client: "x", ID: "b", Position: protocol.PositionOn}, false)
	const minutes = 10
	bytes, biggest, transitions, at := 0, 0, 0, c.now
	for i := range minutes * 60 * 3 { // 1.5 Hz
		at = feedFor(c, at.Add(time.Millisecond), 333*time.Millisecond, 12*float64(i%2))
		for _, e := range b.Next(0, 1000) {
			bytes, biggest = bytes+len(e.Payload), max(biggest, len(e.Payload))
			if e.Message.Kind == protocol.KindTransition {
				transitions++
			}
		}
		b.Memory.Acked(b.Memory.Counts().Last)
	}
	ask(t, c, &protocol.Request{Verb: protocol.VerbClose, Client: "x", ID: "c"}, false)
	feedFor(c, at.Add(time.Millisecond), 3*time.Second, 0)
	cycles := resultsOf[*protocol.Cycle](t, b)
	if len(cycles) == 0 || !cycles[len(cycles)-1].Final {
		t.Fatalf("%d revisions at the end, none final", len(cycles))
	}
	l := cycles[len(cycles)-1].Slots[0].Leads[0]
	t.Logf("%d transitions in %d min: %d kB in all, the biggest result %d bytes; the cycle lists %d and leaves out %d", transitions, minutes, bytes>>10, biggest, len(l.Transitions), l.LeftOut)
	if bytes > 5<<20 || biggest > 32<<10 || len(l.Transitions) > 64 || len(l.Transitions)+l.LeftOut < minutes*60*3-10 || transitions < minutes*60*3-10 {
		t.Error("that is too much, or not all")
	}
	for i := 1; i < len(l.Transitions); i++ {
		if l.Transitions[i].State == l.Transitions[i-1].State || l.Transitions[i].AtNS <= l.Transitions[i-1].AtNS {
			t.Errorf("transition %d does not follow the one before", i)
		}
	}
}
