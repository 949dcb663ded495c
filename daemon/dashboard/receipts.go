package dashboard

import (
	"context"
	"fmt"
	"sync"
	"time"

	"keyturn/daemon/link"
	"keyturn/daemon/records"
	"keyturn/protocol"
)

const (
	// receiptEvery is how often a bench's receipt is given at most.
	receiptEvery = 200 * time.Millisecond
	// receiptsAtOnce is how many are on their way at most: an answer waits for the
	// results that the broker sent before it.
	receiptsAtOnce = 64
)

// receipts are what has been told on a connection, and what is to be told.
type receipts struct {
	k     *Keeper
	sub   *link.Subscriber
	given map[string]given // by stream
	all   time.Time        // every stream was looked at

	mu  sync.Mutex
	due map[string]records.Stream // by bench: the latest of its streams
}

type given struct {
	upTo int64
	at   time.Time
}

// note notes how far streams are.
func (g *receipts) note(streams []records.Stream) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, s := range streams {
		g.due[s.Bench] = s
	}
}

// take returns what is due.
func (g *receipts) take() map[string]records.Stream {
	g.mu.Lock()
	defer g.mu.Unlock()
	due := g.due
	g.due = map[string]records.Stream{}
	return due
}

// run gives receipts until the context is done or one cannot be given.
func (g *receipts) run(ctx context.Context) error {
	tick := time.NewTicker(receiptEvery)
	defer tick.Stop()
	for {
		if err := g.give(ctx); err != nil {
			return err
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// give gives the receipts that are new, and now and then those that are not: a bench
// may not have heard.
func (g *receipts) give(ctx context.Context) error {
	due := g.take()
	if now := time.Now(); now.Sub(g.all) >= g.k.o.Repeat {
		streams, err := g.k.o.Records.Streams(ctx, "")
		if err != nil {
			return err
		}
		for _, s := range streams { // the latest first: the others are of stores that are no more, or of none
			if _, later := due[s.Bench]; !later && !protocol.IsImport(s.Stream) {
				due[s.Bench] = s
			}
		}
		g.all = now
	}
	var sending sync.WaitGroup
	places, failed := make(chan struct{}, receiptsAtOnce), make(chan error, 1)
	for _, s := range due { // each by itself
		if last := g.given[s.Stream]; last.upTo == s.UpToSeq && time.Since(last.at) < g.k.o.Repeat {
			continue
		}
		g.given[s.Stream] = given{s.UpToSeq, time.Now()}
		places <- struct{}{}
		sending.Go(func() {
			defer func() { <-places }()
			if err := g.publish(ctx, s); err != nil {
				select {
				case failed <- err:
				default: // one is enough
				}
			}
		})
	}
	sending.Wait()
	select {
	case err := <-failed:
		return err
	default:
		return nil
	}
}

func (g *receipts) publish(ctx context.Context, s records.Stream) error {
	r := &protocol.Receipt{Header: protocol.Header{Bench: s.Bench, Boot: s.Boot, MonoNS: s.MonoNS}, Keeper: g.k.o.Name, Stream: s.Stream, UpToSeq: s.UpToSeq}
	if err := publish(ctx, g.sub, g.k.o.Root, r); err != nil {
		return fmt.Errorf("give a receipt: %w", err)
	}
	return nil
}
