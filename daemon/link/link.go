package link

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

const (
	window         = 16               // results in flight
	ackTimeout     = 15 * time.Second // for everything that is published once
	connectTimeout = 10 * time.Second
	writeTimeout   = 10 * time.Second
	keepAlive      = 15 * time.Second
	pingTimeout    = 5 * time.Second
	goodbye        = 3 * time.Second // for what is left
	offlineWithin  = 1 * time.Second // to say so
	waveformsMax   = 8               // waiting to be sent
	retainedMax    = 8               // topics
	inwardMax      = 64              // receipts and requests waiting to be looked at
	outwardMax     = 64              // replies waiting to be sent
	replaysMax     = 16              // stretches waiting to be sent again
	disconnectWait = 250             // ms, the library's own unit
)

// Outbox is what the link needs of an outbox.
type Outbox interface {
	// Next returns up to n results that come after a number, in order.
	Next(after int64, n int) []outbox.Entry
	// More is signalled when there may be more to take than at the last look.
	More() <-chan struct{}
	// Acked says that the broker has acknowledged everything up to a number.
	Acked(seq int64)
	// Stream names the numbering.
	Stream() string
	// Receipt says that a record keeper has stored everything up to a number.
	Receipt(keeper string, seq int64) error
	// Counts returns the present state.
	Counts() outbox.Counts
}

// Options says where to and in whose name.
type Options struct {
	// Broker says where the broker is and how it is spoken to.
	Broker Broker
	// Root and Bench make the topics.
	Root, Bench string
	// Presence makes the presence document of a state.
	Presence func(protocol.PresenceState) ([]byte, error)
	// Outbox is where results come from.
	Outbox Outbox
	// Receipts lets the receipts of record keepers in: what they lag behind is sent
	// again after Waits.Receipt, for a broker's acknowledgement is not durability.
	Receipts bool
	// Waits are the deadlines.
	Waits Waits
	// Request, if set, is told each request: the verb of its topic, the document as it
	// came, and whether the broker had kept it. It must not keep the caller waiting.
	Request func(verb string, payload []byte, retained bool)
	// Logger gets the edges: connected, lost. Nil discards.
	Logger *slog.Logger
	// Dial opens the connection; nil dials as the broker's URL says. For tests.
	Dial func(*url.URL, mqtt.ClientOptions) (net.Conn, error)
}

// Waits are how long a link waits; zero means the default.
type Waits struct {
	// Ack: without the oldest result's acknowledgement the connection is given up.
	// Default 15 s.
	Ack time.Duration
	// Receipt is how long a record keeper may lag behind before results are sent
	// again; it doubles while nothing comes of it, up to an hour. Default 10 s.
	Receipt time.Duration
	// Again bounds the pause between two attempts to connect: drawn evenly up to a
	// bound that doubles from AgainFirst to AgainMost. Defaults 1 s and 60 s.
	AgainFirst, AgainMost time.Duration
}

func (w Waits) withDefaults() Waits {
	for _, x := range []struct {
		at  *time.Duration
		def time.Duration
	}{{&w.Ack, 15 * time.Second}, {&w.Receipt, 10 * time.Second}, {&w.AgainFirst, time.Second}, {&w.AgainMost, time.Minute}} {
		if *x.at == 0 {
			*x.at = x.def
		}
	}
	return w
}

// Link is a bench's connection to its broker.
type Link struct {
	o Options

	mu       sync.Mutex
	retained []retained
	changed  chan struct{}

	waveforms chan []byte
	inward    chan inward
	replies   chan reply
	replays   chan stretch
	lag       lag // of the session alone
	connected atomic.Bool
	dropped   atomic.Int64
	refused   atomic.Int64
	attempts  atomic.Int64
}

// inward is a message of somebody else's.
type inward struct {
	message  protocol.Message
	id       string // the level of the topic that the message's name leaves open
	payload  []byte
	retained bool
}

// reply is a document on its way to whoever asked.
type reply struct {
	topic   string
	payload []byte
}

// stretch is results to be sent again.
type stretch struct{ from, to int64 }

func (s stretch) empty() bool { return s.from > s.to || s.to == 0 }

// retained is the latest value of a retained topic.
type retained struct {
	message protocol.Message
	payload []byte
	dirty   bool
}

// New returns a link that has not connected yet.
func New(o Options) (*Link, error) {
	if err := o.Broker.check(); err != nil {
		return nil, err
	}
	o.Waits = o.Waits.withDefaults()
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if _, err := protocol.Messages()[0].Topic(o.Root, o.Bench); err != nil {
		return nil, fmt.Errorf("topics: %w", err)
	}
	return &Link{
		o: o, changed: make(chan struct{}, 1), waveforms: make(chan []byte, waveformsMax),
		inward: make(chan inward, inwardMax), replies: make(chan reply, outwardMax), replays: make(chan stretch, replaysMax), lag: newLag(o.Waits.Receipt),
	}, nil
}

// SetRetained gives the latest value of a retained topic. It is published again
// at every connect.
func (l *Link) SetRetained(m protocol.Message, payload []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for i := range l.retained {
		if r := &l.retained[i]; r.message.Name == m.Name {
			r.payload, r.dirty = payload, true
			signal(l.changed)
			return
		}
	}
	if len(l.retained) < retainedMax {
		l.retained = append(l.retained, retained{m, payload, true})
		signal(l.changed)
	}
}

// Waveform sends a waveform document if there is room; else it is dropped and
// counted.
func (l *Link) Waveform(payload []byte) {
	select {
	case l.waveforms <- payload:
	default:
		l.dropped.Add(1)
	}
}

// Reply sends a reply if there is room; else whoever asked asks again.
func (l *Link) Reply(d *protocol.Reply) error {
	payload, err := protocol.Encode(d)
	if err != nil {
		return err
	}
	topic, err := protocol.TopicOf(l.o.Root, d)
	if err != nil {
		return err
	}
	select {
	case l.replies <- reply{topic, payload}:
		return nil
	default:
		return fmt.Errorf("reply to %s: %w", d.Client, errFull)
	}
}

// Replay sends results again, from one number up to another. It reports whether
// there was room to note it.
func (l *Link) Replay(from, to int64) bool {
	select {
	case l.replays <- stretch{from, to}:
		return true
	default:
		return false
	}
}

// errFull is the cause when a queue has no room.
var errFull = errors.New("too much is waiting already")

// Counts is the state of a link.
type Counts struct {
	Connected        bool
	Attempts         int64 // connections tried
	WaveformsDropped int64
	InwardRefused    int64 // receipts and requests that were not of the form, or too many
}

// Counts returns the present state.
func (l *Link) Counts() Counts {
	return Counts{l.connected.Load(), l.attempts.Load(), l.dropped.Load(), l.refused.Load()}
}

// Run keeps a connection until the context is done, then sends what the outbox
// still holds and says goodbye, all within a few seconds.
func (l *Link) Run(ctx context.Context) {
	Again(ctx, l.o.Waits.AgainFirst, l.o.Waits.AgainMost, l.session, func(err error, failures int64, pause time.Duration) {
		l.o.Logger.Warn("no connection to the broker", "broker", l.o.Broker.URL, "error", err, "failures", failures, "retry_in", pause.Round(time.Millisecond))
	})
}

// session is one connection: a fresh client each time, for the library completes
// the tokens of an old one without an acknowledgement.
func (l *Link) session(ctx context.Context) (worked bool, err error) {
	l.attempts.Add(1)
	lost := make(chan error, 1)
	client, err := l.connect(ctx, lost)
	if err != nil {
		return false, err
	}
	defer disconnect(client)
	s := &session{l: l, client: client, lost: lost}
	if err := s.listen(ctx); err != nil {
		return false, err
	}
	if err := s.greet(ctx); err != nil {
		return false, err
	}
	l.connected.Store(true)
	defer l.connected.Store(false)
	l.o.Logger.Info("connected to the broker", "broker", l.o.Broker.URL)
	err = s.carry(ctx)
	if ctx.Err() != nil {
		return true, s.leave()
	}
	return true, err
}

// connect makes a client and waits for the broker.
func (l *Link) connect(ctx context.Context, lost chan<- error) (mqtt.Client, error) {
	will, err := l.o.Presence(protocol.CutOff)
	if err != nil {
		return nil, fmt.Errorf("make the will: %w", err)
	}
	o, err := l.o.Broker.options()
	if err != nil {
		return nil, err
	}
	o.SetBinaryWill(l.topic("presence"), will, 1, true)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		select {
		case lost <- err:
		default:
		}
	})
	if l.o.Dial != nil {
		o.SetCustomOpenConnectionFn(l.o.Dial)
	}
	client := mqtt.NewClient(o)
	if err := wait(ctx, client.Connect(), connectTimeout); err != nil {
		client.Disconnect(0)
		return nil, fmt.Errorf("connect to %s: %w", l.o.Broker.URL, err)
	}
	return client, nil
}

// errTimeout is the cause when the broker does not answer in time.
var errTimeout = errors.New("no answer in time")

// wait waits for a token, but not for ever.
func wait(ctx context.Context, t mqtt.Token, most time.Duration) error {
	timer := time.NewTimer(most)
	defer timer.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-timer.C:
		return errTimeout
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// disconnect ends a connection. Should the library not return from it in time,
// it is left to itself.
func disconnect(c mqtt.Client) {
	done := make(chan struct{})
	go func() { c.Disconnect(disconnectWait); close(done) }()
	timer := time.NewTimer(goodbye)
	defer timer.Stop()
	select {
	case <-done:
	case <-timer.C:
	}
}

// topic returns a full topic; New has checked root and bench.
func (l *Link) topic(name string) string {
	for _, m := range protocol.Messages() {
		if m.Name == name {
			t, _ := m.Topic(l.o.Root, l.o.Bench)
			return t
		}
	}
	return ""
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
