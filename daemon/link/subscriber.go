package link

import (
	"context"
	"fmt"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Message is one message that a Subscriber got.
type Message struct {
	Topic    string
	Retained bool
	Payload  []byte
}

// Subscriber is an ordinary MQTT subscriber with a clean session.
type Subscriber struct {
	client mqtt.Client
	lost   chan error
}

// Subscribe connects to a broker and hands every message under a filter to
// take, one at a time and in order. Close ends it.
func Subscribe(ctx context.Context, broker, clientID, filter string, take func(Message)) (*Subscriber, error) {
	s := &Subscriber{lost: make(chan error, 1)}
	o := clientOptions(broker, clientID)
	o.SetOrderMatters(true)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { s.lost <- err })
	s.client = mqtt.NewClient(o)
	if err := wait(ctx, s.client.Connect(), connectTimeout); err != nil {
		s.client.Disconnect(0)
		return nil, fmt.Errorf("subscribe at %s: %w", broker, err)
	}
	t := s.client.Subscribe(filter, 1, func(_ mqtt.Client, m mqtt.Message) {
		take(Message{m.Topic(), m.Retained(), m.Payload()})
	})
	if err := wait(ctx, t, connectTimeout); err != nil {
		s.client.Disconnect(0)
		return nil, fmt.Errorf("subscribe to %s at %s: %w", filter, broker, err)
	}
	if st, ok := t.(*mqtt.SubscribeToken); ok && st.Result()[filter] > 2 {
		s.client.Disconnect(0)
		return nil, fmt.Errorf("subscribe to %s at %s: the broker refuses it", filter, broker)
	}
	return s, nil
}

// Lost is told when the connection breaks.
func (s *Subscriber) Lost() <-chan error { return s.lost }

// Close disconnects.
func (s *Subscriber) Close() { disconnect(s.client) }
