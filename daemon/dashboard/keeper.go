package dashboard

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"keyturn/daemon/link"
	"keyturn/daemon/records"
	"keyturn/protocol"
)

// Keeper is a record keeper: it subscribes to the results of every bench, keeps them,
// and says what it has kept. A message is acknowledged, and a receipt given, when the
// records have it on the disk; whatever breaks in between comes again.
type Keeper struct {
	o KeeperOptions

	connects, fresh, known, refused atomic.Int64
}

// KeeperCounts is what a Keeper has done since its start.
type KeeperCounts struct {
	Connects            int64
	New, Known, Refused int64 // results
}

// Counts returns what has been done so far.
func (k *Keeper) Counts() KeeperCounts {
	return KeeperCounts{k.connects.Load(), k.fresh.Load(), k.known.Load(), k.refused.Load()}
}

// KeeperOptions shapes a Keeper.
type KeeperOptions struct {
	// Broker is where it subscribes; the ClientID is to be its own for good.
	Broker link.Broker
	// Root is that of all topics, Name the keeper's id, as bench files name it.
	Root, Name string
	Records    *records.Store
	// Again bounds the pause between two attempts to connect. Default 30 s.
	Again time.Duration
	// Repeat is how often a receipt is given though nothing is new. Default a minute.
	Repeat time.Duration
	// Logger gets the edges; nil discards.
	Logger *slog.Logger
}

const (
	keeperQueue = 64 // messages that may wait for the records
	// gatherFor and gatherMost bound what is kept at once: a commit costs the same
	// however much is in it. What comes during one is in the next anyhow.
	gatherFor  = 2 * time.Millisecond
	gatherMost = 64
	keepMost   = 30 * time.Second // for the records to take what has come
	againFirst = 250 * time.Millisecond
)

// NewKeeper returns one that has not connected yet.
func NewKeeper(o KeeperOptions) (*Keeper, error) {
	if err := protocol.CheckID(o.Name); err != nil {
		return nil, fmt.Errorf("record keeper: %w", err)
	}
	if o.Again == 0 {
		o.Again = 30 * time.Second
	}
	if o.Repeat == 0 {
		o.Repeat = time.Minute
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	return &Keeper{o: o}, nil
}

// Run keeps results until the context is done.
func (k *Keeper) Run(ctx context.Context) {
	link.Again(ctx, againFirst, k.o.Again, k.session, func(err error, failures int64, _ time.Duration) {
		k.o.Logger.Warn("results are not kept at present", "error", err, "failures", failures)
	})
}

// session is one connection. Whatever of it fails ends it.
func (k *Keeper) session(ctx context.Context) (worked bool, err error) {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	queue := make(chan link.Message, keeperQueue)
	g := &receipts{k: k, given: map[string]given{}, due: map[string]records.Stream{}}
	// What the broker has kept for a keeper that was away comes before it answers the
	// subscription: it must be taken meanwhile.
	var parts sync.WaitGroup
	defer parts.Wait()
	parts.Go(func() { stop(k.keepAll(ctx, queue, g)) })
	sub, err := link.NewSubscriber(ctx, link.SubscriberOptions{
		Broker: k.o.Broker, Durable: true,
		Filters: []string{protocol.ResultFilter(k.o.Root, "+"), protocol.MessageFilter(k.o.Root, "+", protocol.KindPresence)},
		Take: func(m link.Message) {
			select {
			case queue <- m:
			case <-ctx.Done(): // it comes again
			}
		},
	})
	if err != nil {
		stop(err)
		return false, context.Cause(ctx)
	}
	k.connects.Add(1)
	k.o.Logger.Info("results are kept", "broker", k.o.Broker.URL)
	// Results are kept on while a receipt is on its way.
	g.sub = sub
	parts.Go(func() { stop(g.run(ctx)) })
	select {
	case err := <-sub.Lost():
		stop(fmt.Errorf("connection lost: %w", err))
	case <-ctx.Done():
	}
	sub.Close()
	return true, context.Cause(ctx)
}

// keepAll keeps what comes until the context is done.
func (k *Keeper) keepAll(ctx context.Context, queue <-chan link.Message, g *receipts) error {
	for {
		select {
		case m := <-queue:
			if err := k.keep(ctx, gather(queue, m), g); err != nil {
				return err
			}
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// gather takes what comes together with a first message.
func gather(queue <-chan link.Message, first link.Message) []link.Message {
	batch := []link.Message{first}
	timer := time.NewTimer(gatherFor)
	defer timer.Stop()
	for len(batch) < gatherMost {
		select {
		case m := <-queue:
			batch = append(batch, m)
		case <-timer.C:
			return batch
		}
	}
	return batch
}

// keep puts a batch into the records and acknowledges it.
func (k *Keeper) keep(ctx context.Context, batch []link.Message, g *receipts) error {
	ctx, stop := context.WithTimeout(ctx, keepMost)
	defer stop()
	var payloads [][]byte
	for _, m := range batch {
		_, row, _, err := protocol.ParseTopic(k.o.Root, m.Topic)
		switch {
		case err == nil && row.Kind == protocol.KindPresence:
			if err := k.presence(ctx, m.Payload, g); err != nil {
				return err
			}
		case err == nil && row.Result:
			payloads = append(payloads, m.Payload)
		}
	}
	if len(payloads) > 0 {
		a, err := k.o.Records.Add(ctx, payloads...)
		if err != nil {
			return err
		}
		k.fresh.Add(int64(a.New))
		k.known.Add(int64(a.Known))
		k.refused.Add(int64(len(a.Refused)))
		g.note(a.Streams)
		for _, r := range a.Refused {
			k.o.Logger.Error("a document under results that is none was refused", "error", r)
		}
	}
	for _, m := range batch {
		m.Ack()
	}
	return nil
}

// presence takes from a bench's presence what it still keeps.
func (k *Keeper) presence(ctx context.Context, payload []byte, g *receipts) error {
	d, err := protocol.Decode(payload)
	p, ok := d.(*protocol.Presence)
	if err != nil || !ok || p.AsOf.KeptFromSeq <= 1 {
		return nil
	}
	if err := k.o.Records.KeptFrom(ctx, p.AsOf.Stream, p.Bench, p.AsOf.KeptFromSeq); err != nil {
		return err
	}
	streams, err := k.o.Records.Streams(ctx, p.Bench)
	if i := slices.IndexFunc(streams, func(s records.Stream) bool { return s.Stream == p.AsOf.Stream }); i >= 0 {
		g.note(streams[i : i+1])
	}
	return err
}
