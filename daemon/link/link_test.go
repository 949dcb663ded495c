package link

import (
	"context"
	"errors"
	"net"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// fakeBroker is a broker in memory that misbehaves as it is told. It speaks
// through pipes, so that time can be simulated.
type fakeBroker struct {
	mu        sync.Mutex
	refuse    int // connections still to be refused
	publish   func(n int, p *packets.PublishPacket) reaction
	n         int // publishes of results so far
	got       []got
	acked     map[int64]bool // results whose acknowledgement was sent
	refuses   bool           // subscriptions
	writing   sync.Mutex     // one packet at a time
	conns     []net.Conn
	connected int
	wg        sync.WaitGroup
}

type got struct {
	topic    string
	retained bool
	doc      protocol.Document
}

type reaction uint8

const (
	acknowledge reaction = iota
	silent               // take it, acknowledge nothing
	dropBefore           // take it, cut the connection without acknowledging
)

var errRefused = errors.New("connection refused")

func (b *fakeBroker) dial(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.refuse > 0 {
		b.refuse--
		return nil, errRefused
	}
	client, server := net.Pipe()
	b.conns = append(b.conns, server)
	b.connected++
	b.wg.Go(func() { b.serve(server) })
	return client, nil
}

func (b *fakeBroker) serve(c net.Conn) {
	defer c.Close()
	for {
		p, err := packets.ReadPacket(c)
		if err != nil {
			return
		}
		var answer packets.ControlPacket
		switch p := p.(type) {
		case *packets.ConnectPacket:
			answer = packets.NewControlPacket(packets.Connack)
		case *packets.PingreqPacket:
			answer = packets.NewControlPacket(packets.Pingresp)
		case *packets.DisconnectPacket:
			return
		case *packets.SubscribePacket:
			ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
			ack.MessageID, ack.ReturnCodes = p.MessageID, []byte{map[bool]byte{false: 1, true: 0x80}[b.refuses]}
			answer = ack
		case *packets.PublishPacket:
			switch b.take(p) {
			case dropBefore:
				return
			case silent:
				continue
			}
			if p.Qos == 1 {
				ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
				ack.MessageID = p.MessageID
				answer = ack
			}
		}
		if answer == nil {
			continue
		}
		b.writing.Lock()
		err = answer.Write(c)
		b.writing.Unlock()
		if err != nil {
			return
		}
	}
}

// say publishes something to the client that is there.
func (b *fakeBroker) say(t *testing.T, d protocol.Document) {
	t.Helper()
	topic, err := protocol.TopicOf("keyturn", d)
	if err != nil {
		t.Fatal(err)
	}
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName = topic
	if p.Payload, err = protocol.Encode(d); err != nil {
		t.Fatal(err)
	}
	b.mu.Lock()
	c := b.conns[len(b.conns)-1]
	b.mu.Unlock()
	b.writing.Lock()
	defer b.writing.Unlock()
	if err := p.Write(c); err != nil {
		t.Fatal(err)
	}
}

func (b *fakeBroker) take(p *packets.PublishPacket) reaction {
	b.mu.Lock()
	defer b.mu.Unlock()
	d, err := protocol.Decode(p.Payload)
	if err != nil {
		panic(err) // the link publishes what the test made
	}
	b.got = append(b.got, got{p.TopicName, p.Retain, d})
	r, ok := d.(protocol.Result)
	if !ok {
		return acknowledge
	}
	how := acknowledge
	if b.publish != nil {
		how = b.publish(b.n, p)
	}
	b.n++
	if how == acknowledge {
		b.acked[r.ResultHead().Seq] = true
	}
	return how
}

func (b *fakeBroker) cut() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, c := range b.conns {
		c.Close()
	}
	b.conns = nil
}

func fault(n int) *protocol.BenchFault {
	return &protocol.BenchFault{ResultHeader: protocol.ResultHeader{Header: head(n), BenchRev: "r"}, Reason: "test", Count: 1}
}

func head(n int) protocol.Header {
	return protocol.Header{Bench: "b", Boot: "0123abcd", MonoNS: int64(n)}
}

// exercise puts results while a link runs against a broker, and holds what
// arrived to the promise: every result, in order but for repeats, and the cursor
// never ahead of the broker's own acknowledgements.
func exercise(t *testing.T, b *fakeBroker, results int, meanwhile func(*outbox.Memory)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b.acked = map[int64]bool{}
		box := outbox.NewMemory(outbox.MemoryOptions{Stream: "s"})
		l, err := New(Options{Broker: Broker{URL: "tcp://broker:1883", ClientID: "c"}, Root: "keyturn", Bench: "b", Outbox: box, Dial: b.dial,
			Presence: func(s protocol.PresenceState) ([]byte, error) {
				return protocol.Encode(&protocol.Presence{Header: head(1), AsOf: protocol.AsOf{Stream: "s"}, State: s})
			}})
		if err != nil {
			t.Fatal(err)
		}
		now := &protocol.Now{Header: head(2), AsOf: protocol.AsOf{Stream: "s"}}
		payload, err := protocol.Encode(now)
		if err != nil {
			t.Fatal(err)
		}
		l.SetRetained(protocol.MessageOf(now), payload)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { l.Run(ctx); close(done) }()
		for i := range results {
			if err := box.Put(ctx, fault(i)); err != nil {
				t.Fatal(err)
			}
			if i == results/2 && meanwhile != nil {
				synctest.Wait()
				meanwhile(box)
			}
		}
		for range 3000 { // simulated seconds
			if box.Counts().Acked == int64(results) {
				break
			}
			<-time.After(time.Second) // simulated
			synctest.Wait()
			b.mu.Lock()
			for seq := int64(1); seq <= box.Counts().Acked; seq++ {
				if !b.acked[seq] {
					t.Errorf("result %d counts as acknowledged, but never was", seq)
				}
			}
			b.mu.Unlock()
		}
		stop()
		<-done
		b.cut()
		b.wg.Wait()
		if c := box.Counts(); c.Acked != int64(results) || c.Dropped != 0 {
			t.Errorf("%+v, want %d acknowledged", c, results)
		}
		b.check(t, results)
	})
}

func (b *fakeBroker) check(t *testing.T, results int) {
	t.Helper()
	highest, presence, nows := int64(0), []protocol.PresenceState{}, 0
	for _, g := range b.got {
		switch d := g.doc.(type) {
		case *protocol.Presence:
			presence = append(presence, d.State)
			if !g.retained {
				t.Error("presence is not retained")
			}
		case *protocol.Now:
			nows++
		case protocol.Result:
			seq := d.ResultHead().Seq
			if seq > highest+1 {
				t.Errorf("result %d before %d", seq, highest+1)
			}
			highest = max(highest, seq)
			if !strings.HasSuffix(g.topic, "/b/result/bench-fault") || g.retained {
				t.Errorf("result under %s, retained %t", g.topic, g.retained)
			}
		}
	}
	if highest != int64(results) {
		t.Errorf("%d results arrived, want %d", highest, results)
	}
	if n := len(presence); n == 0 || presence[n-1] != protocol.Offline {
		t.Errorf("presence %v, want offline at the end", presence)
	}
	if online := len(presence) - 1; nows < online {
		t.Errorf("now was published %d times over %d connections", nows, online)
	}
}

func TestQuietBroker(t *testing.T) { exercise(t, &fakeBroker{}, 200, nil) }

func TestBrokerDownAtBoot(t *testing.T) {
	b := &fakeBroker{refuse: 12}
	exercise(t, b, 50, nil)
	if b.connected != 1 {
		t.Errorf("%d connections", b.connected)
	}
}

func TestSilentBroker(t *testing.T) {
	exercise(t, &fakeBroker{publish: func(n int, _ *packets.PublishPacket) reaction {
		if n >= 20 && n < 40 {
			return silent
		}
		return acknowledge
	}}, 60, nil)
}

func TestDropBeforeAcknowledgement(t *testing.T) {
	exercise(t, &fakeBroker{publish: func(n int, _ *packets.PublishPacket) reaction {
		if n%7 == 3 && n < 60 {
			return dropBefore
		}
		return acknowledge
	}}, 80, nil)
}

func TestRestartDuringBacklog(t *testing.T) {
	b := &fakeBroker{}
	exercise(t, b, 400, func(*outbox.Memory) { b.refuse = 3; b.cut() })
	if b.connected < 2 {
		t.Errorf("%d connections, want a second", b.connected)
	}
}

// A broker that does not let the bench read what it must is told from one that is
// away; nothing is published there.
func TestRefusedSubscriptionIsAnError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &fakeBroker{refuses: true, acked: map[int64]bool{}}
		l, err := New(Options{Broker: Broker{URL: "tcp://broker:1883", ClientID: "c"}, Root: "keyturn", Bench: "b", Outbox: outbox.NewMemory(outbox.MemoryOptions{Stream: "s"}),
			Dial: b.dial, Receipts: true, Presence: func(s protocol.PresenceState) ([]byte, error) {
				return protocol.Encode(&protocol.Presence{Header: head(1), AsOf: protocol.AsOf{Stream: "s"}, State: s})
			}})
		if err != nil {
			t.Fatal(err)
		}
		_, err = l.session(t.Context())
		b.cut()
		b.wg.Wait()
		if err == nil || !strings.Contains(err.Error(), "keyturn/v1/b/stored/+: the broker refuses it") || len(b.got) != 0 {
			t.Errorf("%v, with %d messages", err, len(b.got))
		}
	})
}

// shelf is an outbox of so many results that all stay, with record keepers.
type shelf struct {
	*outbox.Memory
	n        int64
	mu       sync.Mutex
	acked    int64
	receipts map[string]int64
}

func (s *shelf) Next(after int64, n int) (out []outbox.Entry) {
	for seq := after + 1; seq <= s.n && len(out) < n; seq++ {
		f := fault(int(seq))
		f.Stream, f.Seq = "s", seq
		payload, err := protocol.Encode(f)
		if err != nil {
			panic(err) // the test makes it
		}
		out = append(out, outbox.Entry{Seq: seq, Message: protocol.MessageOf(f), Payload: payload})
	}
	return out
}

func (s *shelf) Acked(seq int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.acked = max(s.acked, seq)
}

func (s *shelf) Receipt(keeper string, seq int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := s.receipts[keeper]; !ok {
		return errors.New("a stranger")
	}
	s.receipts[keeper] = max(s.receipts[keeper], seq)
	return nil
}

func (s *shelf) Counts() outbox.Counts {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := outbox.Counts{Last: s.n, Acked: s.acked, Delivered: s.n}
	for _, seq := range s.receipts { // the least, in any order
		c.Delivered = min(c.Delivered, seq)
	}
	return c
}

// One record keeper stores everything, another is away for an hour: it is not sent
// everything again and again, whatever the first and strangers say. When it is back
// without anything, it gets all of it, in parts that grow.
func TestAKeeperThatIsAwayIsNotFlooded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &fakeBroker{acked: map[int64]bool{}}
		box := &shelf{Memory: outbox.NewMemory(outbox.MemoryOptions{Stream: "s"}), n: 500, receipts: map[string]int64{"live": 0, "away": 0}}
		l, err := New(Options{Broker: Broker{URL: "tcp://broker:1883", ClientID: "c"}, Root: "keyturn", Bench: "b", Outbox: box, Dial: b.dial, Receipts: true,
			Presence: func(s protocol.PresenceState) ([]byte, error) {
				return protocol.Encode(&protocol.Presence{Header: head(1), AsOf: protocol.AsOf{Stream: "s"}, State: s})
			}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { l.Run(ctx); close(done) }()
		receipt := func(keeper string, upTo int64) {
			b.say(t, &protocol.Receipt{Header: head(1), Keeper: keeper, Stream: "s", UpToSeq: upTo})
		}
		for range 120 {
			<-time.After(30 * time.Second) // simulated
			receipt("live", 500)
			receipt("stranger", 0)
		}
		b.mu.Lock()
		sent := b.n
		b.mu.Unlock()
		if sent < 500 || sent > 500+20*window {
			t.Errorf("%d results were sent in an hour, of 500", sent)
		}
		// It is back: what arrives in order counts.
		upTo := int64(0)
		for range 300 {
			receipt("away", upTo)
			<-time.After(time.Second) // simulated
			b.mu.Lock()
			for _, g := range b.got[len(b.got)-min(len(b.got), 2000):] {
				if r, ok := g.doc.(protocol.Result); ok && r.ResultHead().Seq == upTo+1 && b.n > sent {
					upTo++
				}
			}
			b.mu.Unlock()
		}
		if c := box.Counts(); c.Delivered != 500 {
			t.Errorf("back, and %d of 500 have arrived", c.Delivered)
		}
		stop()
		<-done
		b.cut()
		b.wg.Wait()
	})
}

// Whatever is left unsent, a bench that ends says offline: goodbye keeps the broker
// from publishing the will.
func TestOfflineIsSaidWhateverIsLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &fakeBroker{acked: map[int64]bool{}, publish: func(int, *packets.PublishPacket) reaction { return silent }}
		box := outbox.NewMemory(outbox.MemoryOptions{Stream: "s"})
		for i := range 100 {
			if err := box.Put(t.Context(), fault(i)); err != nil {
				t.Fatal(err)
			}
		}
		l, err := New(Options{Broker: Broker{URL: "tcp://broker:1883", ClientID: "c"}, Root: "keyturn", Bench: "b", Outbox: box, Dial: b.dial,
			Presence: func(s protocol.PresenceState) ([]byte, error) {
				return protocol.Encode(&protocol.Presence{Header: head(1), AsOf: protocol.AsOf{Stream: "s"}, State: s})
			}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { l.Run(ctx); close(done) }()
		<-time.After(2 * time.Second) // simulated
		stop()
		<-done
		b.cut()
		b.wg.Wait()
		last, _ := b.got[len(b.got)-1].doc.(*protocol.Presence)
		if last == nil || last.State != protocol.Offline {
			t.Errorf("the last word is %+v", b.got[len(b.got)-1].doc)
		}
	})
}

func TestBadOptionsAreToldApart(t *testing.T) {
	box := outbox.NewMemory(outbox.MemoryOptions{Stream: "s"})
	for _, o := range []Options{{Root: "keyturn", Bench: "b"}, {Broker: Broker{URL: "tcp://h:1"}, Root: "key turn", Bench: "b"}, {Broker: Broker{URL: "tcp://h:1"}, Root: "keyturn", Bench: "B#"}, {Broker: Broker{URL: "tcp://h:1", CAFile: "x"}, Root: "keyturn", Bench: "b"},
		{Broker: Broker{URL: "tcp://u:p@h:1"}, Root: "keyturn", Bench: "b"}, {Broker: Broker{URL: "ssl://h:1", KeyFile: "k"}, Root: "keyturn", Bench: "b"}} {
		o.Outbox = box
		if _, err := New(o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
}
