package dashboard

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"keyturn/daemon/link"
	"keyturn/daemon/records"
	"keyturn/protocol"
)

// MarksPublisher marks what was handed in and publishes what was marked. Marks are
// published again, at the next connect, until the broker has acknowledged them. It has a
// connection of its own: a broker that ends one over a topic which it does not allow must
// not keep results from the records. Of several that share the records one publishes, or
// now and then two at once, like one twice.
type MarksPublisher struct {
	o      MarksOptions
	failed map[string]error // sheets that could not be marked at the last look: told once
}

// MarksOptions shapes a MarksPublisher.
type MarksOptions struct {
	// Broker is where it publishes; the ClientID is to be another than the Keeper's.
	Broker link.Broker
	// Root is that of all topics, Keeper the id of the record keeper that publishes.
	Root, Keeper string
	Records      *records.Store
	// Every is how often it looks for what was marked. Default 2 s.
	Every time.Duration
	// Again bounds the pause between two attempts to connect. Default 30 s.
	Again time.Duration
	// Logger gets the edges; nil discards.
	Logger *slog.Logger
}

const (
	marksAtOnce  = 64               // are taken from the records at once
	marksLookFor = 30 * time.Second // at the records at most
)

// NewMarksPublisher returns one that has not connected yet.
func NewMarksPublisher(o MarksOptions) (*MarksPublisher, error) {
	if err := errors.Join(protocol.CheckRoot(o.Root), protocol.CheckID(o.Keeper)); err != nil {
		return nil, fmt.Errorf("publish marks: %w", err)
	}
	if o.Every == 0 {
		o.Every = 2 * time.Second
	}
	if o.Again == 0 {
		o.Again = 30 * time.Second
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	return &MarksPublisher{o: o}, nil
}

// Run marks and publishes until the context is done.
func (p *MarksPublisher) Run(ctx context.Context) {
	link.Again(ctx, againFirst, p.o.Again, p.session, func(err error, failures int64, _ time.Duration) {
		p.o.Logger.Warn("marks are not published at present", "error", err, "failures", failures)
	})
}

// session is one connection. Whatever of it fails ends it.
func (p *MarksPublisher) session(ctx context.Context) (worked bool, err error) {
	sub, err := link.NewSubscriber(ctx, link.SubscriberOptions{Broker: p.o.Broker, Take: func(link.Message) {}})
	if err != nil {
		return false, err
	}
	defer sub.Close()
	tick := time.NewTicker(p.o.Every)
	defer tick.Stop()
	for {
		if err := p.look(ctx, sub); err != nil {
			return true, err
		}
		select {
		case <-tick.C:
		case err := <-sub.Lost():
			return true, fmt.Errorf("connection lost: %w", err)
		case <-ctx.Done():
			return true, context.Cause(ctx)
		}
	}
}

// look marks and publishes what there is.
func (p *MarksPublisher) look(ctx context.Context, sub *link.Subscriber) error {
	all, err := p.due(ctx)
	if err != nil {
		return err
	}
	for _, m := range all {
		if err := p.publish(ctx, sub, m); err != nil {
			return err
		}
	}
	return nil
}

// due marks what can be marked and returns what is to be published.
func (p *MarksPublisher) due(ctx context.Context) ([]*protocol.Marks, error) {
	ctx, stop := context.WithTimeout(ctx, marksLookFor)
	defer stop()
	failed, err := markDue(ctx, p.o.Records)
	if err != nil {
		return nil, err
	}
	for sheet, err := range failed { // each by itself
		if p.failed[sheet] == nil {
			p.o.Logger.Error("answers could not be marked", "sheet", sheet, "err", err)
		}
	}
	p.failed = failed
	return p.o.Records.Unpublished(ctx, marksAtOnce)
}

func (p *MarksPublisher) publish(ctx context.Context, sub *link.Subscriber, m *protocol.Marks) error {
	m.Keeper = p.o.Keeper
	switch err := publish(ctx, sub, p.o.Root, m); {
	case errors.Is(err, errNoDocument):
		// It would fail at every look, and hold up those behind it.
		p.o.Logger.Error("marks that are no document are not published", "sheet", m.Sheet, "err", err)
	case err != nil:
		return err
	}
	ctx, stop := context.WithTimeout(ctx, marksLookFor)
	defer stop()
	if err := p.o.Records.Published(ctx, m.Sheet); err != nil && !errors.Is(err, records.ErrNoSheet) {
		return err
	}
	return nil
}
