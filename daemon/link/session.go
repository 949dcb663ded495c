package link

import (
	"context"
	"errors"
	"fmt"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// session is the work on one connection.
type session struct {
	l        *Link
	client   mqtt.Client
	lost     <-chan error
	inFlight []sent  // oldest first
	sent     int64   // the latest number published on this connection
	again    stretch // being sent again
}

// sent is a result whose acknowledgement is awaited.
type sent struct {
	seq   int64
	token mqtt.Token
	at    time.Time
}

// greet publishes presence and every retained document, again at each connect.
func (s *session) greet(ctx context.Context) error {
	online, err := s.l.o.Presence(protocol.Online)
	if err != nil {
		return fmt.Errorf("make presence: %w", err)
	}
	if err := wait(ctx, s.client.Publish(s.l.topic("presence"), 1, true, online), ackTimeout); err != nil {
		return fmt.Errorf("publish presence: %w", err)
	}
	s.l.mu.Lock()
	for i := range s.l.retained {
		s.l.retained[i].dirty = true
	}
	s.l.mu.Unlock()
	return s.refresh(ctx)
}

// refresh publishes the retained documents that have changed.
func (s *session) refresh(ctx context.Context) error {
	for {
		s.l.mu.Lock()
		var next *retained
		for i := range s.l.retained {
			if s.l.retained[i].dirty {
				s.l.retained[i].dirty = false
				r := s.l.retained[i]
				next = &r
				break
			}
		}
		s.l.mu.Unlock()
		if next == nil {
			return nil
		}
		t := s.client.Publish(s.l.topic(next.message.Name), next.message.QoS, next.message.Retained, next.payload)
		if err := wait(ctx, t, ackTimeout); err != nil {
			return fmt.Errorf("publish %s: %w", next.message.Name, err)
		}
	}
}

// carry sends whatever there is to send until the connection or the context
// ends.
func (s *session) carry(ctx context.Context) error {
	c := s.l.o.Outbox.Counts()
	s.sent = c.Acked
	if s.l.o.Receipts && c.Delivered < c.Acked && !s.l.lag.away() {
		s.sendAgain(c.Delivered, c.Acked)
	}
	look := time.NewTicker(s.l.o.Waits.Receipt / 2)
	defer look.Stop()
	for {
		s.fill()
		var oldest <-chan struct{}
		var late <-chan time.Time
		var timer *time.Timer
		if len(s.inFlight) > 0 {
			oldest = s.inFlight[0].token.Done()
			timer = time.NewTimer(time.Until(s.inFlight[0].at.Add(s.l.o.Waits.Ack)))
			late = timer.C
		}
		var err error
		select {
		case <-ctx.Done():
			err = context.Cause(ctx)
		case cause := <-s.lost:
			err = fmt.Errorf("connection lost: %w", cause)
		case <-late:
			err = fmt.Errorf("result %d not acknowledged: %w", s.inFlight[0].seq, errTimeout)
		case <-oldest:
			err = s.settle()
		case <-s.l.changed:
			err = s.refresh(ctx)
		case w := <-s.l.waveforms:
			s.client.Publish(s.l.topic("waveform"), 0, false, w)
		case in := <-s.l.inward:
			s.take(in)
		case r := <-s.l.replies:
			s.client.Publish(r.topic, 1, false, r.payload)
		case again := <-s.replays():
			s.again = stretch{again.from, min(again.to, s.sent)}
		case <-look.C:
			s.catchUp()
		case <-s.l.o.Outbox.More():
		}
		if timer != nil {
			timer.Stop()
		}
		if err != nil {
			return err
		}
	}
}

// fill publishes results until the window is full: what is asked for again in half of
// it, what is new in the rest.
func (s *session) fill() {
	if room := window/2 - len(s.inFlight); room > 0 && !s.again.empty() {
		entries := s.l.o.Outbox.Next(s.again.from-1, room)
		for _, e := range entries {
			if s.again.from = e.Seq + 1; e.Seq <= s.again.to {
				s.publish(e)
			}
		}
		if len(entries) == 0 {
			s.again = stretch{}
		}
	}
	if room := window - len(s.inFlight); room > 0 {
		for _, e := range s.l.o.Outbox.Next(s.sent, room) {
			s.publish(e)
			s.sent = e.Seq
		}
	}
}

func (s *session) publish(e outbox.Entry) {
	t := s.client.Publish(s.l.topic(e.Message.Name), e.Message.QoS, e.Message.Retained, e.Payload)
	s.inFlight = append(s.inFlight, sent{e.Seq, t, time.Now()})
}

// replays is where the next stretch to send again comes from, once the one before
// is sent.
func (s *session) replays() <-chan stretch {
	if !s.again.empty() {
		return nil
	}
	return s.l.replays
}

// settle takes the acknowledgements that have come, in order. A token that ends
// after the connection was lost proves nothing.
func (s *session) settle() error {
	for len(s.inFlight) > 0 {
		first := s.inFlight[0]
		select {
		case cause := <-s.lost:
			return fmt.Errorf("connection lost: %w", cause)
		default:
		}
		select {
		case <-first.token.Done():
		default:
			return nil
		}
		if err := first.token.Error(); err != nil {
			return fmt.Errorf("publish result %d: %w", first.seq, err)
		}
		s.l.o.Outbox.Acked(first.seq)
		s.inFlight = s.inFlight[1:]
	}
	return nil
}

// leave sends what is left, for a moment, and says offline whatever became of it: a
// broker that is told goodbye does not publish the will.
func (s *session) leave() error {
	ctx, cancel := context.WithTimeoutCause(context.Background(), goodbye, errTimeout)
	err := s.sendLeft(ctx)
	cancel()
	ctx, cancel = context.WithTimeoutCause(context.Background(), offlineWithin, errTimeout)
	defer cancel()
	if err == nil {
		err = s.refresh(ctx)
	}
	offline, e := s.l.o.Presence(protocol.Offline)
	if e != nil {
		return errors.Join(err, fmt.Errorf("make presence: %w", e))
	}
	if e := wait(ctx, s.client.Publish(s.l.topic("presence"), 1, true, offline), offlineWithin); e != nil {
		return errors.Join(err, fmt.Errorf("say offline: %w", e))
	}
	return err
}

// sendLeft sends what the outbox still holds, and what is on its way to the disk.
func (s *session) sendLeft(ctx context.Context) error {
	for {
		s.fill()
		if len(s.inFlight) > 0 {
			if err := wait(ctx, s.inFlight[0].token, goodbye); err != nil {
				return fmt.Errorf("send what was left: %w", err)
			}
			if err := s.settle(); err != nil {
				return err
			}
			continue
		}
		if s.l.o.Outbox.Counts().Queued == 0 {
			return nil
		}
		select { // the disk has the rest
		case <-s.l.o.Outbox.More():
		case <-ctx.Done():
			return fmt.Errorf("send what was left: %w", context.Cause(ctx))
		}
	}
}
