package dashboard

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
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
	// however much is in it.
	gatherFor  = 20 * time.Millisecond
	gatherMost = 64
	// receiptEvery is how often a bench's receipt is given at most.
	receiptEvery = 200 * time.Millisecond
	keepMost     = 30 * time.Second // for the records to take what has come
	receiptMost  = 10 * time.Second
	againFirst   = 250 * time.Millisecond
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

// session is one connection.
func (k *Keeper) session(ctx context.Context) (worked bool, err error) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	queue := make(chan link.Message, keeperQueue)
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
		return false, err
	}
	defer func() {
		stop()
		sub.Close()
	}()
	k.connects.Add(1)
	k.o.Logger.Info("results are kept", "broker", k.o.Broker.URL)
	// Results are kept on while a receipt is on its way.
	g := &receipts{k: k, sub: sub, given: map[string]given{}, failed: make(chan error, 1)}
	var giving sync.WaitGroup
	giving.Go(func() { g.run(ctx) })
	defer giving.Wait()
	defer stop()
	for {
		select {
		case m := <-queue:
			if err := k.keep(ctx, gather(queue, m)); err != nil {
				return true, err
			}
			g.due.Store(true)
		case err := <-g.failed:
			return true, err
		case err := <-sub.Lost():
			return true, fmt.Errorf("connection lost: %w", err)
		case <-ctx.Done():
			return true, context.Cause(ctx)
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
func (k *Keeper) keep(ctx context.Context, batch []link.Message) error {
	ctx, stop := context.WithTimeout(ctx, keepMost)
	defer stop()
	var payloads [][]byte
	for _, m := range batch {
		_, row, _, err := protocol.ParseTopic(k.o.Root, m.Topic)
		switch {
		case err == nil && row.Kind == protocol.KindPresence:
			if err := k.presence(ctx, m.Payload); err != nil {
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
func (k *Keeper) presence(ctx context.Context, payload []byte) error {
	d, err := protocol.Decode(payload)
	p, ok := d.(*protocol.Presence)
	if err != nil || !ok || p.AsOf.KeptFromSeq <= 1 {
		return nil
	}
	return k.o.Records.KeptFrom(ctx, p.AsOf.Stream, p.Bench, p.AsOf.KeptFromSeq)
}

// receipts are what has been told on this connection.
type receipts struct {
	k     *Keeper
	sub   *link.Subscriber
	given map[string]given // by stream
	due   atomic.Bool      // results were kept since the last
	all   time.Time        // every stream was looked at

	failed chan error
}

type given struct {
	upTo int64
	at   time.Time
}

// run gives receipts until the context is done or one cannot be given.
func (g *receipts) run(ctx context.Context) {
	tick := time.NewTicker(receiptEvery)
	defer tick.Stop()
	for {
		if err := g.give(ctx); err != nil {
			g.failed <- err
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// give gives the receipts that are new, and now and then those that are not: a bench
// may not have heard.
func (g *receipts) give(ctx context.Context) error {
	now := time.Now()
	if !g.due.Swap(false) && now.Sub(g.all) < g.k.o.Repeat {
		return nil
	}
	ctx, stop := context.WithTimeout(ctx, receiptMost)
	defer stop()
	streams, err := g.k.o.Records.Streams(ctx, "")
	if err != nil {
		return err
	}
	latest := map[string]bool{}
	for _, s := range streams {
		if latest[s.Bench] || protocol.IsImport(s.Stream) {
			continue // of a store that is no more, or of none
		}
		latest[s.Bench] = true
		if last := g.given[s.Stream]; last.upTo == s.UpToSeq && !last.at.IsZero() && now.Sub(last.at) < g.k.o.Repeat {
			continue
		}
		if err := g.publish(ctx, s); err != nil {
			return err
		}
		g.given[s.Stream] = given{s.UpToSeq, now}
	}
	g.all = now
	return nil
}

func (g *receipts) publish(ctx context.Context, s records.Stream) error {
	r := &protocol.Receipt{Header: protocol.Header{Bench: s.Bench, Boot: s.Boot, MonoNS: s.MonoNS}, Keeper: g.k.o.Name, Stream: s.Stream, UpToSeq: s.UpToSeq}
	topic, err := protocol.TopicOf(g.k.o.Root, r)
	if err != nil {
		return err
	}
	payload, err := protocol.Encode(r)
	if err != nil {
		return err
	}
	if err := g.sub.Publish(ctx, topic, false, payload); err != nil {
		return errors.Join(errors.New("give a receipt"), err)
	}
	return nil
}
