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
	// Ack tells the broker that the message is taken, from any goroutine; what is not
	// acknowledged is repeated, in a durable session, at the next connection.
	Ack func()
}

// SubscriberOptions shapes a Subscriber.
type SubscriberOptions struct {
	// Broker says where and in whose name.
	Broker Broker
	// Filters are what is subscribed to.
	Filters []string
	// Durable lets the broker keep what comes while the subscriber is away, as far as
	// it can, and repeat what was not acknowledged. The ClientID is then for good.
	Durable bool
	// Take gets every message, one at a time and in order, and sees to it that it is
	// acknowledged. It must neither publish nor close.
	Take func(Message)
}

// Subscriber is an ordinary MQTT subscriber.
type Subscriber struct {
	client mqtt.Client
	broker Broker
	lost   chan error
}

// NewSubscriber connects to a broker and subscribes. Close ends it; it does not
// connect again by itself.
func NewSubscriber(ctx context.Context, so SubscriberOptions) (*Subscriber, error) {
	if err := so.Broker.check(); err != nil {
		return nil, err
	}
	o, err := so.Broker.options()
	if err != nil {
		return nil, err
	}
	s := &Subscriber{broker: so.Broker, lost: make(chan error, 1)}
	take := func(_ mqtt.Client, m mqtt.Message) {
		so.Take(Message{m.Topic(), m.Retained(), m.Payload(), m.Ack})
	}
	// What the broker repeats of a session may come before the subscription is made
	// anew.
	o.SetDefaultPublishHandler(take).SetAutoAckDisabled(true)
	o.SetOrderMatters(true).SetCleanSession(!so.Durable)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) { s.lost <- err })
	s.client = mqtt.NewClient(o)
	if err := wait(ctx, s.client.Connect(), connectTimeout); err != nil {
		s.client.Disconnect(0)
		return nil, fmt.Errorf("connect to %s: %w", so.Broker.URL, err)
	}
	for _, f := range so.Filters {
		if err := subscribe(ctx, s.client, f, nil); err != nil {
			s.client.Disconnect(0)
			return nil, fmt.Errorf("at %s: %w", so.Broker.URL, err)
		}
	}
	return s, nil
}

// Subscribe is NewSubscriber for one filter, without a session, for a reader that
// takes everything.
func Subscribe(ctx context.Context, broker, clientID, filter string, take func(Message)) (*Subscriber, error) {
	return NewSubscriber(ctx, SubscriberOptions{
		Broker: Broker{URL: broker, ClientID: clientID}, Filters: []string{filter},
		Take: func(m Message) { take(m); m.Ack() },
	})
}

// Publish publishes with QoS 1 and waits for the broker's acknowledgement.
func (s *Subscriber) Publish(ctx context.Context, topic string, retained bool, payload []byte) error {
	if err := wait(ctx, s.client.Publish(topic, 1, retained, payload), ackTimeout); err != nil {
		return fmt.Errorf("publish %s at %s: %w", topic, s.broker.URL, err)
	}
	return nil
}

// Lost is told when the connection breaks.
func (s *Subscriber) Lost() <-chan error { return s.lost }

// Close disconnects.
func (s *Subscriber) Close() { disconnect(s.client) }
