package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// broker is an MQTT broker in this process, on loopback and in memory: enough
// for a demo, no store of record.
type broker struct {
	server *mqtt.Server
	url    string
}

// open lets every client do everything; the broker hears loopback only.
type open struct{ mqtt.HookBase }

func (*open) ID() string { return "open" }
func (*open) Provides(b byte) bool {
	return b == mqtt.OnConnectAuthenticate || b == mqtt.OnACLCheck
}
func (*open) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }
func (*open) OnACLCheck(*mqtt.Client, string, bool) bool              { return true }

// startBroker starts one on a free loopback port.
func startBroker() (*broker, error) {
	server := mqtt.New(&mqtt.Options{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	tcp := listeners.NewTCP(listeners.Config{ID: "loopback", Address: "127.0.0.1:0"})
	if err := server.AddHook(new(open), nil); err != nil {
		return nil, fmt.Errorf("start the demo's broker: %w", err)
	}
	if err := server.AddListener(tcp); err != nil {
		return nil, fmt.Errorf("start the demo's broker: %w", err)
	}
	if err := server.Serve(); err != nil {
		return nil, fmt.Errorf("start the demo's broker: %w", err)
	}
	return &broker{server: server, url: "tcp://" + tcp.Address()}, nil
}

// closeMost is how long the broker may take to stop.
const closeMost = 3 * time.Second

// Close stops it, or leaves it to the end of the process.
func (b *broker) Close() error {
	done := make(chan error, 1)
	go func() { done <- b.server.Close() }()
	select {
	case err := <-done:
		return err
	case <-time.After(closeMost):
		return errors.New("the demo's broker does not stop")
	}
}
