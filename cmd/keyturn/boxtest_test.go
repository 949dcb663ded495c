package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/link"
	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

// answering types the same again and again, as somebody who does what he is asked to.
func answering(rounds int, lines ...string) io.Reader {
	return strings.NewReader(strings.Repeat(strings.Join(lines, "\n")+"\n", rounds))
}

// lookedAt is what is typed before: nothing was seen, and two busbars were fed.
const lookedAt = "\n\n\nd\n"

func lookedFirst(then io.Reader) io.Reader { return io.MultiReader(strings.NewReader(lookedAt), then) }

// boxTestOf runs the command as it is typed, on a practice bench whose verdicts are heard by
// an ordinary subscriber.
func boxTestOf(t *testing.T, in io.Reader, args ...string) (out string, heard []*protocol.Verdict, p *practiceBox, err error) {
	t.Helper()
	var c boxTest
	if err := typed(t, &c, append(args, "--practice", "--fast")...); err != nil {
		t.Fatal(err)
	}
	box, hash, err := readHashedBox(c.Box)
	if err != nil {
		t.Fatal(err)
	}
	if p, err = newPracticeBox(&box, c.Seed, true, c.Crank == "supply-dip"); err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	var mu sync.Mutex
	v, err := protocoltest.New()
	if err != nil {
		t.Fatal(err)
	}
	sub, err := link.NewSubscriber(t.Context(), link.SubscriberOptions{Broker: link.Broker{URL: p.broker.url, ClientID: "hears"}, Filters: []string{protocol.ResultFilter("keyturn", "+")}, Take: func(m link.Message) {
		defer m.Ack()
		d, err := protocol.Decode(m.Payload)
		x, ok := d.(*protocol.Verdict)
		if err != nil || !ok {
			return
		}
		if err := v.Validate("keyturn", m.Topic, m.Payload); err != nil {
			t.Error(err)
		}
		mu.Lock()
		defer mu.Unlock()
		heard = append(heard, x)
	}})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	err = c.on(t.Context(), p, &box, hash, in, &b, 120)
	sub.Close()
	mu.Lock()
	defer mu.Unlock()
	return b.String(), heard, p, err
}

// slotOf is what a verdict says of a slot.
func slotOf(v *protocol.Verdict, slot string) *protocol.SlotVerdict {
	return &v.Slots[slices.IndexFunc(v.Slots, func(s protocol.SlotVerdict) bool { return s.Slot == slot })]
}

// From the first lead to the verdict: forty-eight slots on a bench of sixteen leads, in
// rounds. What is planted is found and named, no sound slot fails, what the bench cannot
// test does not pass; and every revision was published, the last one final.
func TestBoxTestOverSeeds(t *testing.T) {
	seeds, box, planned := 2, "camper-48", 19
	if raceFactor > 1 {
		seeds, box, planned = 1, "trainer-8", 5
	}
	for seed := range seeds {
		folder := filepath.Join(t.TempDir(), "kept")
		out, heard, p, err := boxTestOf(t, lookedFirst(answering(40, "", "practice-box")), "../../testdata/boxes/"+box+".toml", "--keep", folder, "--crank-source", "supply-dip", "--seed", fmt.Sprint(seed))
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		last, err := readKeptVerdict(folder)
		if err != nil {
			t.Fatal(err)
		}
		most := last.Rounds // with those that prove a slot without volts
		if most < planned || most > planned+2 || len(heard) != most+1 || !heard[most].Final || heard[0].Round == nil || heard[0].Round.Number != 1 || heard[most].Round != nil || heard[most].Revision != last.Revision {
			t.Errorf("seed %d: %d verdicts heard", seed, len(heard))
		}
		if b := last.Before; b == nil || b.Seen != "" || len(b.Feeds) != 2 || !b.Feeds[0].Holds || math.Abs(float64(b.Feeds[1].V)-12.6) > 0.1 {
			t.Errorf("seed %d: before power %+v", seed, b)
		}
		planted := map[string]string{}
		for _, f := range p.planted {
			planted[f.Slot] = f.Kind
		}
		passed := 0
		for _, s := range last.Slots {
			codes := ""
			for _, r := range s.Reasons {
				if r.Makes != protocol.OutcomePass {
					codes += " " + r.Reason
				}
			}
			want := map[string]string{config.OpenCircuit: "no-volts", config.SeriesResistance: "contact", config.BackFeed: "back-fed"}[planted[s.Slot]]
			switch x := p.box.Slot(s.Slot); {
			case want != "" && (s.Outcome == protocol.OutcomePass || !strings.Contains(codes, want)):
				t.Errorf("seed %d: %s has a fault, %s: %s%s", seed, s.Slot, planted[s.Slot], s.Outcome, codes)
			case want == "no-volts" && raceFactor == 1 && s.Outcome != protocol.OutcomeFail:
				t.Errorf("seed %d: %s is dead, and its leads were live before and after: %s%s", seed, s.Slot, s.Outcome, codes)
			case want == "" && s.Outcome == protocol.OutcomeFail:
				t.Errorf("seed %d: %s is sound: %+v", seed, s.Slot, s.Reasons)
			case s.Outcome == protocol.OutcomePass && (x.Avoid != "no" || x.Control == config.ControlNetwork):
				t.Errorf("seed %d: %s passes, and cannot be tested", seed, s.Slot)
			case s.Outcome == protocol.OutcomePass:
				passed++
			}
		}
		if passed*2 < len(last.Slots) && raceFactor == 1 {
			t.Errorf("seed %d: %d of %d slots pass", seed, passed, len(last.Slots))
		}
		for _, says := range []string{"Round 1 of " + fmt.Sprint(planned), "move the leads, fuse in", "take the fuse out", "emergency stop", "leads moved", "Planted in this practice box"} {
			if !strings.Contains(out, says) {
				t.Errorf("seed %d: it does not say %q", seed, says)
			}
		}
		t.Logf("seed %d: %d of %d slots pass; %s", seed, passed, len(last.Slots), out[strings.Index(out, fmt.Sprint(most)+" rounds in"):strings.Index(out, "Kept in")])
	}
}

// A test that somebody ended goes on in its folder: under its id, after its rounds, with a
// higher revision. A round may be measured again, and the wrong id arms nothing.
func TestBoxTestGoesOn(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "kept")
	args := []string{"../../testdata/boxes/trainer-8.toml", "--keep", folder}
	out, heard, _, err := boxTestOf(t, strings.NewReader(lookedAt+"\npractice-box\n\nwrong\n\npractice-box\nr\n\npractice-box\nx\nq\n"), args...)
	if err != nil || !strings.Contains(out, "Ended. 2 of 5 rounds are measured and kept in "+folder) {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, says := range []string{"Round 2 was not measured: nothing was armed", "r repeats round 2", `"x" is none of the answers`} {
		if !strings.Contains(out, says) {
			t.Errorf("it does not say %q:\n%s", says, out)
		}
	}
	if n := strings.Count(out, "Round 2 of 5"); n != 3 {
		t.Errorf("round 2 was shown %d times:\n%s", n, out)
	}
	first := heard[len(heard)-1]
	if first.Final || len(first.Cycles) != 2 || first.Round.Number != 3 {
		t.Errorf("%+v", first)
	}
	out, heard, _, err = boxTestOf(t, answering(9, "", "practice-box"), args...)
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if !strings.Contains(out, "goes on: 2 of 5 rounds are measured") || strings.Contains(out, "Round 2 of 5") {
		t.Errorf("it begins anew:\n%s", out)
	}
	last := heard[len(heard)-1]
	if last.ID != first.ID || heard[0].Revision <= first.Revision || !last.Final || len(last.Cycles) != 5 {
		t.Errorf("%+v", last)
	}
	for _, refused := range [][]string{
		{"../../testdata/boxes/pickup-20.toml", "of another box"}, {"../../testdata/boxes/trainer-8.toml", "of other slots", "--only", "t1"}, {"../../testdata/boxes/trainer-8.toml", "with other limits", "--fall-v", "2"},
	} {
		if _, _, _, err := boxTestOf(t, strings.NewReader(""), append([]string{refused[0], "--keep", folder}, refused[2:]...)...); err == nil || !strings.Contains(err.Error(), refused[1]) {
			t.Errorf("%v: %v", refused, err)
		}
	}
}

// What did not pass is tested again by itself, between two rounds with the leads in slots
// that passed: a slot without volts now fails, and the rest keeps what was said of it.
func TestBoxTestAgain(t *testing.T) {
	const box = "../../testdata/boxes/pickup-20.toml"
	dir := t.TempDir()
	first, second := filepath.Join(dir, "first"), filepath.Join(dir, "second")
	if out, _, _, err := boxTestOf(t, lookedFirst(answering(40, "", "practice-box")), box, "--keep", first, "--crank-source", "supply-dip"); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	out, _, p, err := boxTestOf(t, lookedFirst(answering(40, "", "practice-box")), box, "--keep", second, "--again", first, "--crank-source", "supply-dip")
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	was, err := readKeptVerdict(first)
	if err != nil {
		t.Fatal(err)
	}
	is, err := readKeptVerdict(second)
	if err != nil {
		t.Fatal(err)
	}
	if string(is.Supersedes) != was.ID || is.ID == was.ID && len(is.Cycles) >= len(was.Cycles) {
		t.Errorf("%s after %s: %d rounds after %d", is.ID, is.Supersedes, len(is.Cycles), len(was.Cycles))
	}
	for i, s := range was.Slots {
		if s.Outcome == protocol.OutcomePass && (is.Slots[i].Outcome != s.Outcome || string(is.Slots[i].Test) != was.ID) {
			t.Errorf("%s passed, now %+v", s.Slot, is.Slots[i])
		}
	}
	for _, f := range p.planted {
		if s := slotOf(is, f.Slot); s.Outcome != protocol.OutcomeFail {
			t.Errorf("%s, %s: %+v", f.Slot, f.Kind, s)
		}
	}
	if err := os.WriteFile(filepath.Join(first, verdictFile), []byte("{}"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, _, _, err := boxTestOf(t, strings.NewReader(""), box, "--keep", filepath.Join(dir, "third"), "--again", first); err == nil || !strings.Contains(err.Error(), "earlier test") {
		t.Errorf("of a file that is no verdict: %v", err)
	}
}

// noVolts are the reasons of a slot that are about volts, and what it comes to.
func noVolts(v *protocol.Verdict, slot string) string {
	s := slotOf(v, slot)
	out := string(s.Outcome)
	for _, r := range s.Reasons {
		if strings.HasPrefix(r.Reason, "no-volts") {
			out += " " + r.Reason
		}
	}
	return out
}

// A dead slot among the first places is called dead in one run: once the leads were seen live
// elsewhere it is tested again, and they are seen live once more. Those rounds are like any
// other: they can be ended before, measured anew and gone back from, and a program that died
// before it noted them lays them out again.
func TestBoxTestProvesADeadSlot(t *testing.T) {
	const box = "../../testdata/boxes/pickup-20.toml"
	folder := filepath.Join(t.TempDir(), "kept")
	run := func(in io.Reader, says ...string) []*protocol.Verdict {
		t.Helper()
		out, heard, p, err := boxTestOf(t, in, box, "--keep", folder, "--crank-source", "supply-dip")
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		if p.planted[0].Slot != "f06" || p.planted[0].Kind != config.OpenCircuit {
			t.Fatalf("planted: %+v", p.planted)
		}
		for _, x := range says {
			if !strings.Contains(out, x) {
				t.Errorf("it does not say %q:\n%s", x, out)
			}
		}
		return heard
	}
	const round = "\npractice-box\n"
	heard := run(lookedFirst(strings.NewReader(strings.Repeat(round, 7)+"q\n")), "Round 7 of 7", "2 more rounds prove it", "Round 8 of 9", "Ended. 7 of 9 rounds")
	if v := heard[len(heard)-1]; v.Final || v.Rounds != 9 || v.Round.Number != 8 || noVolts(v, "f06") != "not-proven no-volts-unproven" {
		t.Errorf("after those that were planned: round %+v of %d, f06 %s", v.Round, v.Rounds, noVolts(v, "f06"))
	}
	plan, err := readPlan(folder)
	if err != nil {
		t.Fatal(err)
	}
	plan.Further = nil
	if err := (&testFolder{name: folder}).write(planFile, plan); err != nil {
		t.Fatal(err)
	}
	run(strings.NewReader(round+"r\n"+round+"q\n"), "goes on: 7 of 9", "Round 9 of 9", "r repeats round 8", "Ended. 8 of 9 rounds")
	run(strings.NewReader("r\nr\n"+round+"q\n"), "goes on: 8 of 9", "Round 7 of 7", "Round 8 of 9", "Ended. 7 of 9 rounds")
	heard = run(answering(9, "", "practice-box"), "goes on: 7 of 9", "9 rounds in")
	v := heard[len(heard)-1]
	if !v.Final || v.Round != nil || v.Rounds != 9 || len(v.Cycles) != 9 || noVolts(v, "f06") != "fail no-volts" || !slices.Equal(slotOf(v, "f06").Rounds, []int{1, 2, 3, 8}) {
		t.Errorf("at last: %d rounds, f06 %+v", v.Rounds, slotOf(v, "f06"))
	}
	for _, s := range v.Slots {
		if slices.ContainsFunc(s.Reasons, func(r protocol.VerdictReason) bool { return r.Reason == "rounds-not-joined" }) {
			t.Errorf("%s: nothing joins the rounds", s.Slot)
		}
	}
	run(strings.NewReader(""), "goes on: 9 of 9", "9 rounds in")
}

// Where the leads of a place are off nothing is proven of its slots, and there is no further
// round for them.
func TestBoxTestWithALeadOff(t *testing.T) {
	folder, out := filepath.Join(t.TempDir(), "k"), new(bytes.Buffer)
	var c boxTest
	if err := typed(t, &c, "../../testdata/boxes/pickup-20.toml", "--keep", folder, "--practice", "--fast", "--crank-source", "supply-dip"); err != nil {
		t.Fatal(err)
	}
	box, hash, err := readHashedBox(c.Box)
	if err != nil {
		t.Fatal(err)
	}
	p, err := c.practiceBox(&box)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	p.planted, p.off = nil, []string{"lead-09", "lead-10"}
	if err := c.on(t.Context(), p, &box, hash, lookedFirst(answering(9, "", "practice-box")), out, 100); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	v, err := readKeptVerdict(folder)
	if err != nil {
		t.Fatal(err)
	}
	if !v.Final || v.Rounds != 7 {
		t.Errorf("final %t after %d rounds", v.Final, v.Rounds)
	}
	for _, slot := range []string{"f06", "f02"} { // those of the third place
		if got := noVolts(v, slot); got != "not-proven no-volts-unproven" {
			t.Errorf("%s: %s", slot, got)
		}
	}
}

// A test load whose wire is off draws nothing, and its contact is not tested: it never passes.
func TestBoxTestWithALoadWireOff(t *testing.T) {
	folder, out := filepath.Join(t.TempDir(), "k"), new(bytes.Buffer)
	c, p, box, hash := practiceOf(t, folder)
	p.loadOhm = 1e9
	if err := c.on(t.Context(), p, box, hash, lookedFirst(answering(9, "", "practice-box")), out, 100); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	v, err := readKeptVerdict(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range v.Slots {
		if s.Outcome == protocol.OutcomePass || slices.ContainsFunc(s.Reasons, func(r protocol.VerdictReason) bool { return r.Reason == "contact" }) {
			t.Errorf("%+v", s)
		}
	}
}

// practiceOf is a fast practice of the small box, kept in a folder.
func practiceOf(t *testing.T, folder string) (c *boxTest, p *practiceBox, box *config.Box, hash string) {
	t.Helper()
	c = new(boxTest)
	if err := typed(t, c, "../../testdata/boxes/trainer-8.toml", "--keep", folder, "--practice", "--fast"); err != nil {
		t.Fatal(err)
	}
	read, hash, err := readHashedBox(c.Box)
	if err != nil {
		t.Fatal(err)
	}
	if p, err = c.practiceBox(&read); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
	return c, p, &read, hash
}

// handBox is a bench without relays: a person turns the key, twice in a round, and presses
// Enter once before and once after.
type handBox struct {
	*practiceBox
	enter io.Writer
}

func (h *handBox) file() config.Bench {
	b := practicePlaces()
	b.Drive, b.Lines = nil, nil
	return b
}

func (h *handBox) begin(in config.Bench, r config.Round) (daemon.Options, *parts.Lines, func() adc.Instant, error) {
	o, board, _, err := h.seat(in, r, true)
	start := h.ends()
	at := func(s float64) adc.Instant { return start.Add(time.Duration(s * 1e9)) }
	for _, k := range []struct {
		at float64
		to adc.Position
	}{{1, adc.Accessory}, {3, adc.On}, {6, adc.Start}, {7, adc.On}, {9, adc.Off}, {13, adc.On}, {15, adc.Off}} {
		board.Key(at(k.at), k.to)
	}
	record, pressed := o.Record, 0
	o.Record = func(i adc.Input) {
		record(i)
		if pressed < 2 && i.At > at([]float64{0.3, 14}[pressed]) {
			pressed++
			go h.enter.Write([]byte("\n")) // the pipe waits for who reads it
		}
	}
	return o, nil, nil, err
}

// By hand a round is one turn of the key, however often it is turned; an early Enter ends
// nothing, and no line is lost between two questions.
func TestBoxTestByHand(t *testing.T) {
	folder, out := filepath.Join(t.TempDir(), "k"), new(bytes.Buffer)
	c, p, box, hash := practiceOf(t, folder)
	in, typing := io.Pipe()
	go func() {
		io.WriteString(typing, lookedAt)
		<-t.Context().Done()
		typing.Close()
	}()
	asked := &answersTo{out: out, in: typing}
	err := c.on(t.Context(), &handBox{p, typing}, box, hash, in, asked, 100)
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	v, err := readKeptVerdict(folder)
	if err != nil {
		t.Fatal(err)
	}
	if !v.Final || len(v.Cycles) != v.Rounds || strings.Count(out.String(), "Round 2 of") != 1 {
		t.Errorf("%d key cycles in %d rounds, final %t\n%s", len(v.Cycles), v.Rounds, v.Final, out)
	}
	if s := slotOf(v, "t1"); !slices.ContainsFunc(s.Reasons, func(r protocol.VerdictReason) bool { return r.Reason == "as-expected" }) || !slices.Contains(v.LeftOut, protocol.CheckContact) {
		t.Errorf("%+v, left out %v", s, v.LeftOut)
	}
}

// answersTo presses Enter whenever it is asked whether leads and fuses are right.
type answersTo struct {
	out io.Writer
	in  io.Writer
}

func (a *answersTo) Write(p []byte) (int, error) {
	if bytes.Contains(p, []byte("hands off? ")) {
		go io.WriteString(a.in, "\n")
	}
	return a.out.Write(p)
}

// Who goes back measures everything from there on again, though he ends in between; and
// nobody is told to leave a lead where it no longer is.
func TestBoxTestGoesBack(t *testing.T) {
	folder, out := filepath.Join(t.TempDir(), "k"), new(bytes.Buffer)
	c, p, box, hash := practiceOf(t, folder)
	if err := c.on(t.Context(), p, box, hash, lookedFirst(strings.NewReader("\npractice-box\n\npractice-box\n\npractice-box\nr\nr\n\npractice-box\nq\n")), out, 100); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	back := out.String()[strings.LastIndex(out.String(), "r repeats round 1"):]
	if !strings.Contains(back, "Round 3 of 5") || strings.Contains(out.String()[strings.LastIndex(out.String(), "Round 2 of 5"):strings.LastIndex(out.String(), "Round 3 of 5")], "leave") {
		t.Errorf("after going back:\n%s", out)
	}
	c, p, box, hash = practiceOf(t, folder)
	again := new(bytes.Buffer)
	if err := c.on(t.Context(), p, box, hash, strings.NewReader("q\n"), again, 100); err != nil || !strings.Contains(again.String(), "2 of 5 rounds are measured") {
		t.Errorf("%v\n%s", err, again)
	}
	if strings.Contains(again.String(), "leave") {
		t.Errorf("another day:\n%s", again)
	}
}

// A test that is cut short in the middle of a round says nothing of that round.
func TestBoxTestCutShort(t *testing.T) {
	folder, out := filepath.Join(t.TempDir(), "k"), new(bytes.Buffer)
	c, p, box, hash := practiceOf(t, folder)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	b := &cutShort{p, stop, 2}
	if err := c.on(ctx, b, box, hash, lookedFirst(answering(9, "", "practice-box")), out, 100); err == nil {
		t.Fatalf("it did not end\n%s", out)
	}
	v, err := readKeptVerdict(folder)
	if err != nil {
		t.Fatal(err)
	}
	if v.Final || len(v.Cycles) != 1 {
		t.Errorf("%+v", v)
	}
	if n := b.outbox.Counts(); n.Last == 0 {
		t.Error("nothing was published")
	}
}

// cutShort ends the run in the middle of a round.
type cutShort struct {
	*practiceBox
	stop  func()
	round int
}

func (b *cutShort) begin(in config.Bench, r config.Round) (daemon.Options, *parts.Lines, func() adc.Instant, error) {
	o, lines, now, err := b.practiceBox.begin(in, r)
	record := o.Record
	start := b.ends()
	o.Record = func(i adc.Input) {
		record(i)
		if r.Number == b.round && i.At.Sub(start) > 8*time.Second {
			b.stop()
		}
	}
	return o, lines, now, err
}

// What is seen before power, or a short to earth, ends the test before anything moves.
func TestBoxTestBeforePower(t *testing.T) {
	for _, x := range []struct {
		typed   string
		shorted bool
		want    string
		rounds  bool
	}{
		{"green contacts\n\n", false, "ended before power", false},
		{"green contacts\ny\nd\nq\n", false, "", true},
		{"\n\n", true, "short to earth", false},
		{"\nx\nq\n", false, "", false},
	} {
		c, p, box, hash := practiceOf(t, filepath.Join(t.TempDir(), "k"))
		p.shorted = x.shorted
		var out bytes.Buffer
		err := c.on(t.Context(), p, box, hash, strings.NewReader(x.typed), &out, 100)
		if (err == nil) != (x.want == "") || err != nil && !strings.Contains(err.Error(), x.want) || strings.Contains(out.String(), "Round 1 of") != x.rounds {
			t.Errorf("%q: %v\n%s", x.typed, err, out.String())
		}
	}
}

// Where nobody could arm a bench, or its bench file is of another kind, nothing begins.
func TestBoxTestRefuses(t *testing.T) {
	for _, x := range []struct{ want, args string }{
		{"armed by somebody at the bench", "../../testdata/boxes/trainer-8.toml --config ../../testdata/benches/box-test.toml"},
		{"on a vehicle", "../../testdata/boxes/trainer-8.toml --config ../../testdata/benches/training.toml"},
		{"for --practice", "../../testdata/boxes/trainer-8.toml --config ../../testdata/benches/box-test.toml --fast"},
		{"is of 24 V", "../../testdata/boxes/minibus-48.toml --practice"},
		{"--fall-v", "../../testdata/boxes/trainer-8.toml --practice --fall-v=-1"},
	} {
		var c boxTest
		if err := typed(t, &c, append(strings.Fields(x.args), "--keep", filepath.Join(t.TempDir(), "k"))...); err != nil {
			t.Fatal(err)
		}
		if err := c.test(context.Background(), strings.NewReader(""), io.Discard, 100); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: %v, want %q", x.args, err, x.want)
		}
	}
}
