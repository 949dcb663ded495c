package link

import (
	"context"
	"errors"
	"fmt"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"keyturn/protocol"
)

// This file takes what others publish for the bench: receipts of record keepers,
// and requests. Nothing of it is trusted to be of the form.

// listen subscribes to what the bench reads, and makes sure that the broker lets it.
func (s *session) listen(ctx context.Context) error {
	var kinds []protocol.Kind
	if s.l.o.Receipts {
		kinds = append(kinds, protocol.KindReceipt)
	}
	if s.l.o.Request != nil {
		kinds = append(kinds, protocol.KindRequest)
	}
	for _, k := range kinds {
		if err := subscribe(ctx, s.client, protocol.InwardFilter(s.l.o.Root, s.l.o.Bench, k), s.l.hear); err != nil {
			return err
		}
	}
	return nil
}

// hear is called by the library, on a goroutine of its own.
func (l *Link) hear(_ mqtt.Client, m mqtt.Message) {
	_, row, ids, err := protocol.ParseTopic(l.o.Root, m.Topic())
	if err != nil || !row.Inward || len(m.Payload()) > protocol.RequestMax {
		l.refused.Add(1)
		return
	}
	select {
	case l.inward <- inward{row, ids[0], m.Payload(), m.Retained()}:
	default:
		l.refused.Add(1)
	}
}

// take looks at one message.
func (s *session) take(in inward) {
	if in.message.Kind == protocol.KindRequest && s.l.o.Request != nil {
		s.l.o.Request(in.id, in.payload, in.retained)
		return
	}
	if err := s.receipt(in); err != nil {
		if n := s.l.refused.Add(1); rarely(n) {
			s.l.o.Logger.Warn("a receipt that cannot be used", "error", err, "refused", n)
		}
	}
}

// errNotReceipt is the cause when another document comes as a receipt.
var errNotReceipt = errors.New("not a receipt")

func (s *session) receipt(in inward) error {
	d, err := protocol.Decode(in.payload)
	if err != nil {
		return err
	}
	r, ok := d.(*protocol.Receipt)
	// The broker's access rules are about topics: what the document says must not go
	// beyond its own.
	if !ok || r.Bench != s.l.o.Bench || r.Keeper != in.id {
		return errNotReceipt
	}
	if r.Stream != s.l.o.Outbox.Stream() {
		return nil // of a store that is no more
	}
	before := s.l.o.Outbox.Counts().Delivered
	if err := s.l.o.Outbox.Receipt(r.Keeper, r.UpToSeq); err != nil {
		return err
	}
	if after := s.l.o.Outbox.Counts().Delivered; r.UpToSeq <= after || after > before {
		s.l.lag.receipt(after > before)
		s.received(after)
	}
	return nil
}

// subscribe subscribes and makes sure that the broker has taken it.
func subscribe(ctx context.Context, c mqtt.Client, filter string, take mqtt.MessageHandler) error {
	t := c.Subscribe(filter, 1, take)
	if err := wait(ctx, t, connectTimeout); err != nil {
		return fmt.Errorf("subscribe to %s: %w", filter, err)
	}
	if st, ok := t.(*mqtt.SubscribeToken); ok && st.Result()[filter] > 2 {
		return fmt.Errorf("subscribe to %s: the broker refuses it: its access rules must let this client read there", filter)
	}
	return nil
}
