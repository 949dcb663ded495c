package daemon_test

import (
	"net"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// proxy stands between clients and a broker and breaks what passes, packet by
// packet.
type proxy struct {
	listener net.Listener
	target   string
	wg       sync.WaitGroup

	mu      sync.Mutex
	pairs   map[*pair]bool
	stalled time.Time // nothing passes before this
	deaf    time.Time // acknowledgements are swallowed before this
	closed  bool
}

// pair is a client's connection and the broker's that belongs to it.
type pair struct {
	client, broker net.Conn
	gone           bool // half open: the broker's side is closed, the client's is not told
}

func newProxy(t *testing.T, target string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{listener: l, target: target, pairs: map[*pair]bool{}}
	p.wg.Go(p.accept)
	return p
}

func (p *proxy) url() string { return "tcp://" + p.listener.Addr().String() }

func (p *proxy) accept() {
	for {
		client, err := p.listener.Accept()
		if err != nil {
			return
		}
		broker, err := net.Dial("tcp", p.target)
		if err != nil {
			client.Close()
			continue
		}
		x := &pair{client: client, broker: broker}
		p.mu.Lock()
		p.pairs[x] = true
		closed := p.closed
		p.mu.Unlock()
		if closed {
			x.close()
		}
		p.wg.Go(func() { p.pass(x, client, broker, false) })
		p.wg.Go(func() { p.pass(x, broker, client, true) })
	}
}

// pass carries packets one way.
func (p *proxy) pass(x *pair, from, to net.Conn, inward bool) {
	defer p.drop(x, inward)
	for {
		packet, err := packets.ReadPacket(from)
		if err != nil {
			return
		}
		if wait := p.stall(); wait > 0 {
			<-time.After(wait)
		}
		_, ack := packet.(*packets.PubackPacket)
		if inward && ack && p.swallows() {
			continue
		}
		if packet.Write(to) != nil && !p.isGone(x) {
			return
		}
	}
}

func (p *proxy) isGone(x *pair) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return x.gone
}

func (p *proxy) stall() time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return time.Until(p.stalled)
}

func (p *proxy) swallows() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return time.Now().Before(p.deaf)
}

// drop ends a pair, unless it is half open and the client has not let go yet.
func (p *proxy) drop(x *pair, inward bool) {
	p.mu.Lock()
	keep := x.gone && inward
	if !keep {
		delete(p.pairs, x)
	}
	p.mu.Unlock()
	if !keep {
		x.close()
	}
}

func (x *pair) close() { x.client.Close(); x.broker.Close() }

// cut breaks every connection.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for x := range p.pairs {
		x.close()
	}
}

// halfOpen takes the broker's side away; the client writes into nothing.
func (p *proxy) halfOpen() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for x := range p.pairs {
		x.gone = true
		x.broker.Close()
	}
}

// stallFor lets nothing pass for a while.
func (p *proxy) stallFor(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stalled = time.Now().Add(d)
}

// swallowFor swallows acknowledgements for a while.
func (p *proxy) swallowFor(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.deaf = time.Now().Add(d)
}

func (p *proxy) close() {
	p.mu.Lock()
	p.closed = true
	p.mu.Unlock()
	p.listener.Close()
	p.cut()
	p.wg.Wait()
}
