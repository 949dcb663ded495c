package dashboard

import (
	"bytes"
	"context"
	"log/slog"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"keyturn/daemon/dashboard/access"
	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/daemon/records"
	"keyturn/protocol"
	"keyturn/protocol/protocoltest"
)

// marksLog is who subscribes to marks, as a shop's own programs do.
type marksLog struct {
	t  *testing.T
	mu sync.Mutex
	// got is what came, words the bytes of all of it.
	got   []*protocol.Marks
	words []byte
}

func newMarksLog(t *testing.T, broker, name string) *marksLog {
	t.Helper()
	v, err := protocoltest.New()
	must(t, err)
	l := &marksLog{t: t}
	sub, err := link.Subscribe(t.Context(), broker, name, protocol.BenchFilter(protocol.DefaultRoot, "+"), func(m link.Message) {
		if !strings.Contains(m.Topic, "/marks/") {
			return
		}
		if err := v.Validate(protocol.DefaultRoot, m.Topic, m.Payload); err != nil || m.Retained || m.Topic != "keyturn/v1/demo/marks/records" {
			t.Errorf("%s, retained %t: %v", m.Topic, m.Retained, err)
			return
		}
		d, _ := protocol.Decode(m.Payload)
		l.mu.Lock()
		defer l.mu.Unlock()
		l.got = append(l.got, d.(*protocol.Marks))
		l.words = append(append(l.words, m.Topic...), m.Payload...)
	})
	must(t, err)
	t.Cleanup(sub.Close)
	return l
}

// heard is how often marks of a sheet came.
func (l *marksLog) heard(sheet string) (n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, m := range l.got {
		if sheet == "/answers/"+m.Sheet {
			n++
		}
	}
	return n
}

func until(t *testing.T, what string, done func() bool) {
	t.Helper()
	tick, deadline := time.NewTicker(5*time.Millisecond), time.After(time.Minute)
	defer tick.Stop()
	for !done() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("never: %s", what)
		}
	}
}

// publishing runs a publisher of the classroom's marks until it is stopped.
func (c *classroom) publishing(broker string) (stop func()) {
	c.t.Helper()
	p, err := NewMarksPublisher(MarksOptions{Broker: link.Broker{URL: broker, ClientID: "records-marks"}, Root: protocol.DefaultRoot, Keeper: "records", Records: c.records,
		Every: 10 * time.Millisecond, Again: 50 * time.Millisecond})
	must(c.t, err)
	ctx, cancel := context.WithCancel(c.t.Context())
	ended := make(chan struct{})
	go func() { p.Run(ctx); close(ended) }()
	return func() { cancel(); <-ended }
}

// answered brings somebody's sheet as far as only a look is missing for its marks.
func (c *classroom) answered(name string, cycle int) (sheet string) {
	c.t.Helper()
	b, sheet := c.begin(name)
	c.key(protocol.PositionOff)
	b.go303(c.t, sheet, withDo(right, "hand-in"))
	c.turn(true, cycle)
	return sheet
}

// waiting is how many marks no broker has taken.
func (c *classroom) waiting() int {
	c.t.Helper()
	all, err := c.records.Unpublished(c.t.Context(), 0)
	must(c.t, err)
	return len(all)
}

// Marks are published once, without anybody looking, again where the broker's word was
// lost, and not once more after a restart; each attempt by itself, and in no byte of it a
// name, an answer or what was measured.
func TestMarksArePublished(t *testing.T) {
	c := newClassroom(t)
	broker := linktest.Start(t, "")
	l := newMarksLog(t, broker.URL(), "logger")
	between := newMute(t, broker.Address())
	at := "tcp://" + between.Addr().String()

	stop := c.publishing(at)
	first := c.answered("cara", 1)
	until(t, "published, and taken", func() bool { return l.heard(first) == 1 && c.waiting() == 0 })

	// The broker takes it, and its word is lost with the connection.
	between.mute.Store(true)
	second := c.answered("dan", 2)
	until(t, "published without an answer", func() bool { return l.heard(second) == 1 })
	between.mute.Store(false)
	between.cut()
	until(t, "published again", func() bool { return l.heard(second) == 2 && c.waiting() == 0 })

	// The broker's word is lost with the server.
	c.ada.go303(t, first+"/comment", url.Values{"comment": {"Sit down before you look."}, "again": {"yes"}})
	between.mute.Store(true)
	third := c.answered("cara", 3)
	until(t, "published without an answer", func() bool { return l.heard(third) == 1 })
	stop()
	between.mute.Store(false)
	between.cut()
	if c.waiting() != 1 {
		t.Error("what nobody has acknowledged counts as published")
	}
	stop = c.publishing(at)
	until(t, "published after a restart", func() bool { return l.heard(third) == 2 && c.waiting() == 0 })
	stop()

	// Marks of somebody who is removed wait no more. The broker is away meanwhile.
	c.ada.go303(t, second+"/comment", url.Values{"again": {"yes"}})
	removed := c.answered("dan", 4)
	_, err := markDue(t.Context(), c.records)
	must(t, err)
	c.ada.go303(t, "/user/remove", url.Values{"name": {"dan"}})
	c.ada.go303(t, third+"/comment", url.Values{"again": {"yes"}})
	between.cut()
	stop = c.publishing("tcp://127.0.0.1:1") // nobody is there
	last := c.answered("cara", 5)
	if text := c.ada.page(t, last); !strings.Contains(text, "of 14 marks") || c.waiting() != 1 {
		t.Errorf("without a broker %d wait", c.waiting())
	}
	stop()
	stop = c.publishing(at)
	defer stop()
	until(t, "the broker is there", func() bool { return l.heard(last) == 1 && c.waiting() == 0 })
	for sheet, want := range map[string]int{first: 1, second: 2, third: 2, removed: 0, last: 1} { // each by itself
		if got := l.heard(sheet); got != want {
			t.Errorf("%s was heard %d times, want %d", sheet, got, want)
		}
	}
	l.holds(c)
	nothingStays(t, broker)
}

// holds checks what marks say, and what they do not.
func (l *marksLog) holds(c *classroom) {
	l.mu.Lock()
	defer l.mu.Unlock()
	words, attempts := l.words, []int64{}
	for _, m := range l.got {
		attempts = append(attempts, m.Attempt)
		words = bytes.ReplaceAll(words, []byte(m.Sheet), nil) // drawn by lot, of letters
		if m.Exercise != "after-key-off" || m.Revision != 1 || len(m.Questions) != 5 || m.MarksPossible != 14 || !strings.Contains(m.Cycle, "-1357986420") {
			l.t.Errorf("%+v", m)
		}
		given := protocol.Points(0)
		for _, q := range m.Questions {
			if given += *q.MarksGiven; len(q.Slots) != 1 || q.Asks == "" || q.Reason == "" {
				l.t.Errorf("%+v", q)
			}
		}
		a, err := c.records.AnswerSheet(c.t.Context(), m.Sheet)
		if err == nil && (float64(m.MarksGiven) != a.Got || given != m.MarksGiven || a.Attempt != m.Attempt || m.Cycle != a.Cycle.ID) {
			l.t.Errorf("%+v is published as %+v", a, m)
		}
	}
	if !slices.Equal(attempts, []int64{1, 1, 1, 2, 2, 3}) {
		l.t.Errorf("attempts %d", attempts)
	}
	// The number of the key cycle's document is in its id, and nothing else of it.
	text := strings.ToLower(strings.ReplaceAll(string(words), "-1357986420", "-"))
	users := []string{"dan"} // who is removed
	all, err := c.records.Users(c.t.Context())
	must(l.t, err)
	for _, u := range all {
		users = append(users, u.Name)
	}
	for _, name := range users {
		if regexp.MustCompile(`(^|[^a-z])` + regexp.QuoteMeta(name) + `($|[^a-z])`).MatchString(text) {
			l.t.Errorf("the name %q is in what was published: %s", name, text)
		}
	}
	for _, x := range append([]string{"at once", "1,0 s", "10 min", "stays on", "sit down"}, truth...) {
		if strings.Contains(text, x) {
			l.t.Errorf("%q is in what was published: %s", x, text)
		}
	}
	if len(users) < 5 || !strings.Contains(text, "radio") {
		l.t.Errorf("%q were looked for in %s", users, text)
	}
}

// nothingStays checks that the broker has kept no marks for who comes later.
func nothingStays(t *testing.T, broker *linktest.Broker) {
	t.Helper()
	first := make(chan link.Message, 1)
	sub, err := link.Subscribe(t.Context(), broker.URL(), "later", "#", func(m link.Message) {
		select {
		case first <- m:
		default: // only the first counts
		}
	})
	must(t, err)
	defer sub.Close()
	must(t, sub.Publish(t.Context(), "keyturn/v1/demo/end", false, nil))
	if m := <-first; m.Topic != "keyturn/v1/demo/end" {
		t.Errorf("the broker has kept %s: %s", m.Topic, m.Payload)
	}
}

// Who keeps and shows results is not put out by marks of another keeper.
func TestAnotherKeeperTakesNoNoticeOfMarks(t *testing.T) {
	c, broker := newClassroom(t), linktest.Start(t, "")
	_, s := newAccess(t, access.Options{}, false)
	other, err := NewKeeper(KeeperOptions{Broker: link.Broker{URL: broker.URL(), ClientID: "other"}, Root: protocol.DefaultRoot, Name: "other", Records: s})
	must(t, err)
	state := newState(t)
	ctx, cancel := context.WithCancel(t.Context())
	var parts sync.WaitGroup
	defer parts.Wait()
	defer cancel()
	parts.Go(func() { other.Run(ctx) })
	parts.Go(func() {
		Watch(ctx, link.Broker{URL: broker.URL(), ClientID: "other-now"}, state, c.pages.o.Logger)
	})
	until(t, "the other keeper is there", func() bool { return other.Counts().Connects == 1 })
	l := newMarksLog(t, broker.URL(), "logger")
	defer c.publishing(broker.URL())()
	sheet := c.answered("cara", 1)
	until(t, "published", func() bool { return l.heard(sheet) == 1 })

	bench, err := link.NewSubscriber(t.Context(), link.SubscriberOptions{Broker: link.Broker{URL: broker.URL(), ClientID: classBench}, Take: func(link.Message) {}})
	must(t, err)
	defer bench.Close()
	y := protocoltest.Cycle(t, "../report/testdata/whole.json")
	y.Bench, y.Stream, y.Seq = classBench, "s-1", 1
	topic, payload := wire(t, y)
	must(t, bench.Publish(t.Context(), topic, false, payload))
	until(t, "kept and shown", func() bool {
		h, _, ok := state.one(classBench)
		return other.Counts().New == 1 && ok && h.last.ID == y.ID
	})
	if n := other.Counts(); n.Connects != 1 || n.Refused != 0 || state.Refused() != 0 {
		t.Errorf("keeper %+v, %d refused by the pages", n, state.Refused())
	}
}

// What cannot be marked is told once, though it is tried at every look.
func TestWhatCannotBeMarkedIsToldOnce(t *testing.T) {
	c := newClassroom(t)
	n, err := c.records.Release(t.Context(), records.Sitting{Exercise: "broken", Title: "Of a later version", Text: "later = 1", Bench: classBench, ReleasedBy: "ada"})
	must(t, err)
	id, err := c.records.Begin(t.Context(), n, "cara")
	must(t, err)
	must(t, c.records.Acknowledge(t.Context(), id, ""))
	must(t, c.records.SaveAnswers(t.Context(), id, nil, true))
	c.turn(true, 1)
	var said bytes.Buffer
	p, err := NewMarksPublisher(MarksOptions{Root: protocol.DefaultRoot, Keeper: "records", Records: c.records, Logger: slog.New(slog.NewTextHandler(&said, nil))})
	must(t, err)
	for range 3 {
		if all, err := p.due(t.Context()); err != nil || len(all) != 0 {
			t.Errorf("%d, %v", len(all), err)
		}
	}
	if n := strings.Count(said.String(), "could not be marked"); n != 1 {
		t.Errorf("told %d times: %s", n, said.String())
	}
}
