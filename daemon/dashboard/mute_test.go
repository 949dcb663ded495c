package dashboard

import (
	"net"
	"sync"
	"sync/atomic"
	"testing"
)

// mute stands between clients and a broker and, while it is mute, lets no word of the
// broker through: what was published is not acknowledged.
type mute struct {
	net.Listener
	mute atomic.Bool

	mu    sync.Mutex
	conns []net.Conn
}

func newMute(t *testing.T, broker string) *mute {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	m := &mute{Listener: l}
	var parts sync.WaitGroup
	parts.Go(func() {
		for {
			client, err := l.Accept()
			if err != nil {
				return
			}
			server, err := net.Dial("tcp", broker)
			if err != nil {
				client.Close()
				continue
			}
			m.mu.Lock()
			m.conns = append(m.conns, client, server)
			m.mu.Unlock()
			parts.Go(func() { m.pass(client, server, false) })
			parts.Go(func() { m.pass(server, client, true) })
		}
	})
	t.Cleanup(func() { l.Close(); m.cut(); parts.Wait() })
	return m
}

func (m *mute) pass(from, to net.Conn, inward bool) {
	defer from.Close()
	defer to.Close()
	b := make([]byte, 4096)
	for {
		n, err := from.Read(b)
		if err != nil {
			return
		}
		if inward && m.mute.Load() {
			continue
		}
		if _, err := to.Write(b[:n]); err != nil {
			return
		}
	}
}

// cut breaks every connection.
func (m *mute) cut() {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, c := range m.conns {
		c.Close()
	}
	m.conns = nil
}
